"""Bodies, bounds and closed forms behind a plan, against standards and handbooks."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hotspot.board import Kind
from hotspot.files.packages import chip_size_mm
from hotspot.inject import limits, refusal
from hotspot.inject.circuit import Leads, Loop, SupplySpec, solve_loop
from hotspot.inject.copper import (
    MIL_MM,
    melting_current_a,
    trace_current_a,
    trace_ohm,
    wire_area_mm2,
)
from hotspot.inject.limits import RailCase, UserLimits
from hotspot.inject.packages import DIELECTRIC_MAX_C, PACKAGES
from hotspot.inject.plan import plan_injection
from hotspot.inject.prediction import Plate, Scenery, Viewing, contact_k_w, plate_steady_k
from hotspot.inject.refusal import short_ohm
from hotspot.locate.templates import DIFFUSIVITIES_MM2_S
from hotspot.practice import build_demo_board, build_scene
from hotspot.practice.plate import PlateSettings
from hotspot.rails.reading import parse_line
from hotspot.rails.verdict import judge_readings

OZ_UM = 1.378 * MIL_MM * 1e3


# IEC 60115-8 (resistors), IEC 60384-21/-22 (capacitors): inch code, metric code, body in mm, and
# rating at 70 °C in W (01005 from memory).
CHIPS = [
    ("01005", "0402", 0.40, 0.20, 1 / 32), ("0201", "0603", 0.60, 0.30, 1 / 20),
    ("0402", "1005", 1.00, 0.50, 1 / 16), ("0603", "1608", 1.60, 0.80, 1 / 10),
    ("0805", "2012", 2.00, 1.25, 1 / 8), ("1206", "3216", 3.20, 1.60, 1 / 4),
    ("1210", "3225", 3.20, 2.50, 1 / 3),
]  # fmt: skip


@pytest.mark.parametrize(("inch", "metric", "length", "width", "rated"), CHIPS)
def test_chip_sizes(inch: str, metric: str, length: float, width: float, rated: float) -> None:
    package = PACKAGES[inch]
    assert (package.length_mm, package.width_mm) == (length, width)
    assert package.rated_w == pytest.approx(rated)
    assert chip_size_mm(f"C{inch}") == (length, width)
    # 0402 and 0603 are codes of both systems, and mean another body in each.
    assert chip_size_mm(f"C_{metric}", metric=True) == (length, width)


# V ρ cp of solid barium titanate (He, Thermochim. Acta 419 (2004) 135, numbers from memory).
@pytest.mark.parametrize(
    ("name", "mj_k"), [("0402", 0.65317), ("0603", 2.67539), ("0805", 8.16463)]
)
def test_heat_capacity_of_a_chip(name: str, mj_k: float) -> None:
    assert PACKAGES[name].heat_capacity_j_k * 1e3 == pytest.approx(mj_k, rel=1e-4)


def test_dielectrics() -> None:
    # EIA-198-1, second character of the code: 5 is +85 °C, 6 is +105 °C, 7 is +125 °C.
    degrees = {"5": 85.0, "6": 105.0, "7": 125.0}
    assert set(DIELECTRIC_MAX_C) == {"X5R", "X6S", "X7R"}
    assert all(DIELECTRIC_MAX_C[code] == degrees[code[1]] for code in DIELECTRIC_MAX_C)


def test_temperature_bounds_lie_below_what_they_protect() -> None:
    # IPC-4101: glass transition of standard FR-4 130-140 °C. ISO 9453 / J-STD-006: Sn42Bi58 melts
    # at 138 °C, Sn63Pb37 at 183 °C. From memory.
    assert limits.FR4_C <= 130 - 10
    assert limits.SOLDER_C <= 138 - 15
    # IEC 62368-1:2018 table 38, TS1, metal 1 s to 10 s: 60 °C; ISO 13732-1: no burn below 65 °C
    # within 0.5 s, 55-60 °C at 10 s, smooth bare metal. From memory.
    assert limits.TOUCH_C <= 60
    # Silicon junctions bear 125 °C, common practice: no bound may lie above.
    assert max(limits.TOUCH_C, limits.FR4_C, limits.SOLDER_C, *DIELECTRIC_MAX_C.values()) <= 125


def test_every_plan_cuts_out_at_the_touch_temperature() -> None:
    plan = plan_injection(RailCase(nominal_v=3.3, measured_ohm=0.3))
    assert plan.refused is None
    assert plan.cut_out.max_pixel_c <= 60  # IEC 62368-1 as above
    worst_w = plan.supply.worst_v(plan.set_v) * plan.supply.worst_a(plan.limit_a)
    assert worst_w <= 15  # power source class PS1 of IEC 62368-1, sec. 6.2, from memory


def test_no_plan_above_extra_low_voltage() -> None:
    # 60 V DC: IEC 61140, IEC 60364-4-41 sec. 414; ES1 of IEC 62368-1 table 4. From memory.
    assert refusal.MAX_NOMINAL_V == 60.0
    assert plan_injection(RailCase(nominal_v=60.5, measured_ohm=1.0)).refused is not None


def test_a_rail_of_good_capacitors_is_no_short() -> None:
    # IEC 60384-22, class 2: R C of 100 to 500 Ω F, so 50 parts of 10 µF read over 0.2 MΩ.
    good = 100.0 / 10e-6 / 50
    assert good == pytest.approx(0.2e6)
    assert good > refusal.NO_SHORT_OHM
    plan = plan_injection(RailCase(nominal_v=3.3, measured_ohm=good))
    assert "no short" in str(plan.refused)
    (verdict,) = judge_readings([parse_line("3V3 200k")])
    assert verdict.verdict.value not in ("short", "low")


def test_sheet_resistance() -> None:
    # ρ/t at 20 °C (IEC 60028; foils of IPC-4562): 17.5, 35, 70 µm.
    for um, milliohm in ((17.5, 0.98520), (35, 0.49260), (70, 0.24630)):
        square = trace_ohm(width_mm=3.0, length_mm=3.0, thickness_um=um)
        assert square * 1e3 == pytest.approx(milliohm, rel=3e-5)


# IPC-2221 turned round: width in mil of one ounce that carries (A, K), outer or inner layer; two
# of them agree with an open web calculator.
@pytest.mark.parametrize(
    ("amps", "rise", "inner", "mil"),
    [(1, 10, False, 11.82584), (1, 10, True, 30.76420), (2, 10, False, 30.76420),
     (3, 10, False, 53.8183), (3, 10, True, 140.0051), (3, 20, False, 35.33752),
     (5, 20, False, 71.48819)],
)  # fmt: skip
def test_width_for_a_current(amps: float, rise: float, inner: bool, mil: float) -> None:
    found = trace_current_a(width_mm=mil * MIL_MM, thickness_um=OZ_UM, rise_k=rise, inner=inner)
    assert found == pytest.approx(amps, rel=1e-5)


def test_onderdonks_sign() -> None:
    # A published example takes 234 - Ta and gets 177.6 A for AWG 16, 5 s; right is 168.86 A.
    found = melting_current_a(area_mm2=wire_area_mm2(16), duration_s=5.0)
    assert found == pytest.approx(168.86, rel=1e-3)
    assert abs(found - 177.6) > 5
    trace = 20 * MIL_MM * OZ_UM * 1e-3
    assert melting_current_a(area_mm2=trace, duration_s=1.0) == pytest.approx(5.133608, rel=2e-5)
    assert melting_current_a(area_mm2=trace / 2, duration_s=5.0) == pytest.approx(
        1.147910, rel=2e-5
    )


def test_two_wire_reading_of_a_short() -> None:
    # Kelvin's reason: 1 m of AWG 18 out and back adds 83.79 % to 50 mΩ, drops 0.125687 V at 3 A.
    leads = Leads(18, 1.0)
    assert leads.ohm / 0.050 == pytest.approx(0.8379, rel=1e-4)
    assert 3.0 * leads.ohm == pytest.approx(0.125687, rel=3e-5)
    case = RailCase(nominal_v=1.0, measured_ohm=0.050 + leads.ohm, meter_lead_ohm=leads.ohm)
    assert short_ohm(case, Loop()) == pytest.approx(0.050)


def test_maximum_power_theorem() -> None:
    # V²/4R = 5 W for 1 V behind 50 mΩ, reached at 50 mΩ.
    def watts(ohm: float) -> float:
        return solve_loop(Loop(Leads(measured_ohm=0.05)), ohm, set_v=1.0, limit_a=100.0).fault_w

    assert watts(0.05) == pytest.approx(5.0, rel=1e-9)
    assert max(watts(0.04), watts(0.06)) < 5.0


@pytest.mark.parametrize(
    ("watts", "ohm", "amps", "volts"),
    [(0.5, 0.05, 3.162278, 0.158114), (0.5, 0.5, 1.0, 0.5), (1, 0.01, 10.0, 0.1),
     (0.1, 1, 0.316228, 0.316228)],
)  # fmt: skip
def test_current_and_voltage_of_a_power(
    watts: float, ohm: float, amps: float, volts: float
) -> None:
    # √(P/R) and √(P R), textbook; reached from the current side.
    point = solve_loop(Loop(Leads(measured_ohm=0.0)), ohm, set_v=50.0, limit_a=amps)
    assert point.fault_w == pytest.approx(watts, rel=1e-5)
    assert point.rail_v == pytest.approx(volts, rel=1e-5)


@pytest.mark.parametrize(("uf", "volts", "mj"), [(100, 20, 20.0), (22, 5, 0.275), (1000, 1, 0.5)])
def test_energy_in_capacitors(uf: float, volts: float, mj: float) -> None:
    supply = SupplySpec(error_v=0.0, error_v_rel=0.0, overshoot_rel=0.0, output_uf=uf)
    assert supply.surge_j(volts) * 1e3 == pytest.approx(mj, rel=1e-9)  # ½ C V², textbook


def test_plate_is_bessel_k0() -> None:
    # Abramowitz & Stegun 9.8, DLMF 10.25: K0 at 0.01 to 5, for a plate with k t = 1/2π W/K.
    for x, k0 in ((0.01, 4.721245), (0.1, 2.427069), (0.5, 0.9244191), (1, 0.4210244),
                  (2, 0.1138939), (5, 0.003691098)):  # fmt: skip
        copper_um = (1 / (2 * math.pi) - 0.30 * 1.6e-3) / (385.0 - 0.30) * 1e6
        plate = Plate(thickness_mm=1.6, copper_um=copper_um, film_w_m2k=1 / (2 * math.pi))
        assert plate_steady_k(plate, 1e3 * x) == pytest.approx(k0, rel=1e-6)


def test_ring_conduction() -> None:
    # ln(b/a) / (2 π k t), 1 to 20 mm, k 17.1 W/(m K), 1.6 mm (Incropera, table 3.3); hardly a loss.
    copper_um = (17.1 - 0.30) * 1.6e-3 / (385.0 - 0.30) * 1e6
    plate = Plate(thickness_mm=1.6, copper_um=copper_um, film_w_m2k=1e-6)
    drop = plate_steady_k(plate, 1.0) - plate_steady_k(plate, 20.0)
    assert drop == pytest.approx(17.42637, rel=1e-6)


def test_constriction_falls_with_the_radius() -> None:
    # 1 / (4 k a): Carslaw & Jaeger sec. 8.2; Holm, Electric Contacts.
    small, large = PACKAGES["0402"], PACKAGES["1206"]
    ratio = contact_k_w(small) / contact_k_w(large)
    assert ratio == pytest.approx(large.radius_mm / small.radius_mm, rel=1e-12)
    # Between a constriction in copper and one in bare laminate (0.3 W/(m K)).
    for package in PACKAGES.values():
        metre = package.radius_mm * 1e-3
        assert 1 / (4 * 401 * metre) < contact_k_w(package) < 1 / (4 * 0.3 * metre)


def test_loss_of_a_board_in_still_air() -> None:
    # Incropera eq. 9.30, hot face up, 50 mm board, 5 to 30 K: 4.433 to 6.850 W/(m² K), correlation
    # ±20 %; with radiation 9 to 12 a face.
    assert 18 <= Plate().film_w_m2k <= 24
    plate = PlateSettings(50.0, 50.0)
    assert 0.8 * 4.433 <= plate.convection_top_w_m2k <= 1.2 * 6.850
    assert 18 <= plate.film_w_m2k(23.0) <= 24


def test_laminate_lies_between_measurements() -> None:
    # FR-4 through 0.29 and 0.343, in plane 0.81 and 1.059 W/(m K), 1850 kg/m³, 1100 J/(kg K):
    # Azar & Graebner, SEMI-THERM 1996; Sarvar, Poole & Witting, J. Electron. Mater. 19 (1990) 1345.
    bare = Plate(thickness_mm=1.0, copper_um=0.0)
    assert 0.29 <= bare.conductance_w_k / 1e-3 <= 0.343
    assert 1.75e6 <= 1850 * 1100 <= bare.heat_j_m2k / 1e-3 * 1.25
    in_plane = np.array([0.81, 1.059]) / (1850 * 1100) * 1e6
    assert in_plane[0] == pytest.approx(0.398034, rel=1e-5)
    # The slowest spread looked for is that of bare board, rounded; ±25 % over boards.
    assert in_plane[0] * 0.75 < DIFFUSIVITIES_MM2_S[0] < in_plane[1] * 1.25
    # Copper, 401 / (8933 · 385): nothing on a board spreads faster than a solid sheet of it.
    assert max(DIFFUSIVITIES_MM2_S) < 116.597


def test_parts_on_the_way_have_data_sheet_resistances() -> None:
    # Data-sheet practice: 4.7 µH of 3-4 mm 40 to 150 mΩ, 0402 and power beads 5 to 400 mΩ, 0402
    # and 0603 jumpers at most 50 mΩ.
    board = build_demo_board()
    usual = {Kind.INDUCTOR: (0.04, 0.15), Kind.BEAD: (0.005, 0.4), Kind.FUSE: (0.005, 0.4)}
    path = [p for p in board.parts if p.kind in usual]
    assert {p.kind for p in path} >= {Kind.INDUCTOR}
    scene = build_scene(board, rail="3V3", fault="C18", path=tuple(p.ref for p in path))
    for part, element in zip(path, scene.circuit.series, strict=True):
        low, high = usual[part.kind]
        assert low <= element.ohm <= high, part.ref


def test_camera_assumed_is_a_usual_one() -> None:
    # ASTM E1543; Holst: uncooled cameras of f/1 have 30 to 80 mK. From memory.
    assert 30 <= Viewing().netd_mk <= 80
    assert Scenery().view.netd_mk == Viewing().netd_mk


def test_own_limit_tightens_the_power() -> None:
    plan = plan_injection(
        RailCase(nominal_v=3.3, measured_ohm=0.5), user=UserLimits(max_power_w=0.05)
    )
    # √(P/R) of 0.05 W in 0.5 Ω is 0.316 A: no plan may go beyond it.
    assert 0 < plan.limit_a <= math.sqrt(0.05 / 0.5)
