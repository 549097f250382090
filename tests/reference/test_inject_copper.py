"""Copper, wire, trace and loop arithmetic against standards and worked values."""

from __future__ import annotations

import pytest

from hotspot.inject.circuit import Leads, Loop, SupplySpec, solve_loop
from hotspot.inject.copper import (
    MIL_MM,
    copper_resistivity_ohm_m,
    melting_current_a,
    trace_current_a,
    trace_ohm,
    trace_rise_k,
    wire_area_mm2,
    wire_diameter_mm,
    wire_ohm_per_m,
)

# The worked values round the resistivity to 1.7241e-8 ohm m, 2.2e-5 below 1/58.
ROUNDED = 3e-5
OZ_UM = 1.378 * MIL_MM * 1e3  # one ounce a square foot


# IEC 60028:1925: 58 MS/m at 20 °C, 0.00393/K.
@pytest.mark.parametrize(
    ("celsius", "expected"),
    [(0, 1.588586e-8), (20, 1.724138e-8), (25, 1.757979e-8), (60, 1.995129e-8), (100, 2.266157e-8)],
)
def test_copper_resistivity(celsius: float, expected: float) -> None:
    assert copper_resistivity_ohm_m(celsius) == pytest.approx(expected, rel=ROUNDED, abs=0.0)


# ASTM B258 for the diameter; resistance from it and IEC 60028 (NBS Handbook 100 tables).
@pytest.mark.parametrize(
    ("awg", "diameter", "milliohm"),
    [(14, 1.62773, 8.2853), (16, 1.29085, 13.1742), (18, 1.02369, 20.9478),
     (20, 0.811821, 33.3083), (22, 0.643803, 52.9622), (24, 0.510559, 84.2132),
     (26, 0.404892, 133.904), (28, 0.321094, 212.916), (30, 0.254639, 338.550),
     (36, 0.127, 1361.02)],
)  # fmt: skip
def test_wire_gauge(awg: int, diameter: float, milliohm: float) -> None:
    assert wire_diameter_mm(awg) == pytest.approx(diameter, rel=1e-5)
    assert wire_ohm_per_m(awg) * 1e3 == pytest.approx(milliohm, rel=ROUNDED)


@pytest.mark.parametrize(("awg", "milliohm"), [(18, 41.8956), (22, 105.924), (24, 168.426)])
def test_leads_count_out_and_back(awg: int, milliohm: float) -> None:
    assert Leads(awg, 1.0).ohm * 1e3 == pytest.approx(milliohm, rel=ROUNDED)


@pytest.mark.parametrize(
    ("width", "length", "um", "celsius", "milliohm"),
    [(0.25, 10, 35, 20, 19.7040), (1, 100, 35, 20, 49.2600), (0.15, 25, 18, 20, 159.6389),
     (1, 100, 35, 25, 50.2280), (1, 100, 35, 60, 57.0037)],
)  # fmt: skip
def test_trace_resistance(
    width: float, length: float, um: float, celsius: float, milliohm: float
) -> None:
    ohm = trace_ohm(width_mm=width, length_mm=length, thickness_um=um, temperature_c=celsius)
    assert ohm * 1e3 == pytest.approx(milliohm, rel=ROUNDED)


# IPC-2221, the usual fit of the chart (constants checked against two open calculators).
@pytest.mark.parametrize(
    ("mil", "ounce", "rise", "inner", "amps"),
    [(10, 1, 10, False, 0.885517), (10, 1, 20, False, 1.201296), (20, 1, 10, False, 1.463672),
     (50, 1, 20, False, 3.858366), (100, 1, 10, False, 4.701072), (10, 0.5, 10, False, 0.535735),
     (10, 1, 10, True, 0.442759)],
)  # fmt: skip
def test_ipc_2221(mil: float, ounce: float, rise: float, inner: bool, amps: float) -> None:
    size = {"width_mm": mil * MIL_MM, "thickness_um": ounce * OZ_UM, "inner": inner}
    assert trace_current_a(rise_k=rise, **size) == pytest.approx(amps, rel=1e-5)
    assert trace_rise_k(current_a=amps, **size) == pytest.approx(rise, rel=1e-4)


# Onderdonk (Stauffacher, GE Review 1928). The sign of the 234 matters: 177.6 A would be wrong.
@pytest.mark.parametrize(
    ("awg", "seconds", "ambient", "amps"),
    [(30, 1, 25, 14.70278), (30, 5, 25, 6.57528), (30, 0.1, 25, 46.49427), (16, 5, 25, 168.862),
     (30, 1, 40, 14.44604)],
)  # fmt: skip
def test_onderdonk_wire(awg: int, seconds: float, ambient: float, amps: float) -> None:
    area = wire_area_mm2(awg)
    found = melting_current_a(area_mm2=area, duration_s=seconds, ambient_c=ambient)
    # AWG 30 is 100.5 circular mils, AWG 16 2581 to four digits.
    assert found == pytest.approx(amps, rel=8e-4)


@pytest.mark.parametrize(("mil", "seconds", "amps"), [(10, 1, 2.566804), (100, 1, 25.66804)])
def test_onderdonk_trace(mil: float, seconds: float, amps: float) -> None:
    area = mil * MIL_MM * OZ_UM * 1e-3
    assert melting_current_a(area_mm2=area, duration_s=seconds) == pytest.approx(amps, rel=2e-5)


# Ohm and Joule, worked by hand: volts, limit, leads, short -> amps, volts, watts short, leads.
@pytest.mark.parametrize(
    ("given", "expected"),
    [((1, 3, 0.05, 0.01), (3, 0.03, 0.09, 0.45)),
     ((1, 3, 0.05, 0.2), (3, 0.6, 1.8, 0.45)),
     ((1, 3, 0.05, 1), (0.952381, 0.952381, 0.907029, 0.0453515)),
     ((1, 3, 0.05, 10), (0.0995025, 0.995025, 0.0990075, 0.000495037)),
     ((3.3, 1, 0.1, 0.5), (1, 0.5, 0.5, 0.1))],
)  # fmt: skip
def test_operating_point(given: tuple[float, ...], expected: tuple[float, ...]) -> None:
    volts, limit, leads, short = given
    loop = Loop(Leads(measured_ohm=leads))
    point = solve_loop(loop, short, set_v=volts, limit_a=limit)
    found = (point.amps, point.rail_v, point.fault_w, point.leads_w)
    assert found == pytest.approx(expected, rel=1e-5)
    assert point.mode == ("current" if expected[0] == limit else "voltage")


def test_energy_in_a_capacitor() -> None:
    supply = SupplySpec(error_v=0.0, error_v_rel=0.0, overshoot_rel=0.0, output_uf=1000.0)
    assert supply.surge_j(1.0) == pytest.approx(0.5e-3)  # ½ C V², textbook
