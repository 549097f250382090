"""Rules of thumb of board repair. Common practice, no source: read as rules, never as values."""

from __future__ import annotations

import pytest

from hotspot.board import Board, Kind, Part, Rail, Role, role_on_rail
from hotspot.heat.emissivity import METAL_DEPTH
from hotspot.inject.limits import RailCase
from hotspot.inject.plan import plan_injection
from hotspot.rails.reading import parse_line
from hotspot.rails.signature import build_signature
from hotspot.rails.triage import triage
from hotspot.rails.verdict import judge_readings
from hotspot.rails.verification import compare_findings, compare_verdicts, verify_repair
from hotspot.suspects import build_priors


def verdict_of(line: str, *, good_board: str | None = None) -> str:
    good = [] if good_board is None else [[parse_line(good_board)]]
    (found,) = judge_readings([parse_line(line)], good_boards=good)
    return found.verdict.value


@pytest.mark.parametrize("volts", ["0.21", "0.34", "0.5", "0.79"])
def test_a_few_tenths_of_a_volt_are_plausible(volts: str) -> None:
    assert verdict_of(f"LINE {volts}") == "healthy"


@pytest.mark.parametrize("volts", ["0.000", "0.004", "0.012"])
def test_near_zero_is_a_short(volts: str) -> None:
    assert verdict_of(f"LINE {volts}") == "short"


def test_over_range_is_an_open_line() -> None:
    assert verdict_of("LINE OL", good_board="LINE 0.34") == "open"


def test_a_tenth_either_way_of_the_good_board() -> None:
    for volts, healthy in (("0.43", True), ("0.37", True), ("0.30", False), ("0.50", False)):
        assert (verdict_of(f"LINE {volts}", good_board="LINE 0.40") == "healthy") == healthy


@pytest.mark.parametrize("ohms", ["2 ohm", "8 ohm", "25 ohm"])
def test_ohms_alone_never_make_a_core_rail_a_short(ohms: str) -> None:
    board = Board("b", (), rails=(Rail("VCORE", nominal_v=0.9),))
    (found,) = judge_readings([parse_line(f"VCORE {ohms}")], board=board)
    assert found.verdict.value != "short"


def test_current_on_connection_is_the_main_rail_and_current_after_the_button_is_not() -> None:
    assert triage(build_signature(before_a=1.5)).verdict == "main rail short"
    later = triage(build_signature(before_a=0.001, press_a=1.4, later_a=(1.4, 1.4)))
    assert later.verdict == "secondary rail short"


@pytest.mark.parametrize("nominal_v", [0.8, 1.8, 3.3, 5.0, 12.0])
@pytest.mark.parametrize("ohms", [0.0, 0.05, 2.0])
def test_inject_at_or_below_nominal_and_start_low(nominal_v: float, ohms: float) -> None:
    plan = plan_injection(RailCase(nominal_v=nominal_v, measured_ohm=ohms))
    assert plan.refused is None
    assert all(step.set_v <= nominal_v for step in plan.ladder)
    currents = [step.limit_a for step in plan.ladder]
    assert currents == sorted(currents)
    assert currents[0] <= 0.5 * currents[-1] or currents[0] <= 0.5


def test_an_unknown_rail_gets_no_voltage() -> None:
    assert plan_injection(RailCase(nominal_v=None, measured_ohm=0.1)).refused is not None


def test_the_battery_comes_off_and_capacitors_are_discharged_first() -> None:
    first = plan_injection(RailCase(nominal_v=3.3, measured_ohm=0.1)).cautions[0].lower()
    assert all(word in first for word in ("battery", "charger", "capacitors", "discharge"))
    connected = plan_injection(RailCase(nominal_v=3.3, measured_ohm=0.1, battery_connected=True))
    assert connected.refused is not None


def test_a_dead_short_shares_its_heat_with_the_leads() -> None:
    # 10 mΩ at the end of 50 mΩ of leads, 3 A: 0.09 W in the short, 0.45 W in the leads.
    plan = plan_injection(RailCase(nominal_v=1.0, measured_ohm=0.01))
    assert plan.point.leads_w > plan.point.fault_w


def part(ref: str, kind: Kind, *nets: str) -> Part:
    return Part(ref, kind, "0402", 1.0, 1.0, 1.0, 0.5, 0.0, "top", nets)


def test_the_coil_on_the_way_is_path_and_the_capacitor_the_commonest_fault() -> None:
    parts = (
        part("C1", Kind.CAPACITOR, "1V8", "GND"), part("Q1", Kind.TRANSISTOR, "1V8", "GND"),
        part("U1", Kind.IC, "1V8", "GND"), part("R1", Kind.RESISTOR, "1V8", "GND"),
        part("L1", Kind.INDUCTOR, "SW", "1V8"),
    )  # fmt: skip
    board = Board("b", parts)
    assert role_on_rail(parts[4], rail="1V8", ground=("GND",)) is Role.SERIES
    weight = [p.weight for p in build_priors(board, rail="1V8")]
    assert weight[0] > weight[1] > weight[2] > weight[3] > weight[4]


def test_shiny_metal_shows_little_of_its_heat() -> None:
    assert 0.7 <= METAL_DEPTH <= 0.98


def test_no_repair_is_confirmed_before_the_rail_was_measured_again() -> None:
    def finding(verdict: str) -> dict[str, object]:
        return {"verdict": verdict, "spots": [], "suspects": []}

    gone = compare_findings(finding("hot spot"), finding("no hot spot"))
    assert verify_repair(gone).verdict != "repaired"
    short, good = (judge_readings([parse_line(f"VSYS {v}")]) for v in ("0.001", "0.34"))
    assert verify_repair([*compare_verdicts(short, short), *gone]).verdict != "repaired"
    assert verify_repair([*compare_verdicts(short, good), *gone]).verdict == "repaired"
