import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotspot.board import Board, Kind, Part, Rail
from hotspot.rails.history import FaultHistory
from hotspot.rails.order import inject_order
from hotspot.rails.reading import Mode, Polarity, parse_line, parse_reading
from hotspot.rails.verdict import (
    Verdict,
    build_expected,
    expected_from_boards,
    judge_readings,
)

BOARD = Board(
    name="lamp-driver",
    parts=(
        Part("C1", Kind.CAPACITOR, "0603", 1, 2, 1.6, 0.8, nets=("VSYS", "GND")),
        Part("C2", Kind.CAPACITOR, "1206", 5, 6, 3.2, 1.6, nets=("VSYS", "GND")),
        Part("TP4", Kind.TEST_POINT, "", 8, 9, 1, 1, nets=("V1V8",)),
    ),
    rails=(
        Rail("VSYS", nominal_v=3.8, healthy_diode_v=0.42, healthy_ohm=20e3),
        Rail("V1V8", nominal_v=1.8, healthy_diode_v=0.35),
        Rail("VCORE", nominal_v=0.8),
        Rail("VBUS", nominal_v=5.0, inject_at_mm=(3.0, 4.0)),
    ),
)


def verdict(line: str, board: Board | None = BOARD, **kw):
    return judge_readings([parse_line(line, **kw)], board=board)[0]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("VSYS 0.003", "short"), ("VSYS 0.41", "healthy"), ("VSYS 0.2", "low"),
        ("VSYS OL", "open"),
        ("VSYS 0.9", "unknown"), ("VSYS 0.4ohm", "short"), ("VSYS 19k", "healthy"),
        ("VSYS 5k", "low"), ("VCORE 6 ohm", "low"), ("VCORE 0.2ohm", "low"),
        ("VCORE 0.000", "short"),
        ("VBUS 0.4ohm", "short"), ("VBUS 12 ohm", "low"), ("VBUS 900 ohm", "healthy"),
        ("VBUS 0.34", "healthy"), ("TP9 0.1", "low"), ("TP9 OL", "open"), ("TP9 1.9", "unknown"),
    ],
)  # fmt: skip
def test_verdict_of_one_reading(line: str, expected: str) -> None:
    found = verdict(line)
    assert found.verdict == expected
    assert found.reasons


def test_ohms_alone_never_prove_a_short_on_a_core_rail() -> None:
    assert verdict("VCORE 0.1ohm").verdict is Verdict.LOW
    assert "healthy" in verdict("VCORE 0.1ohm").reasons[0]


def test_two_modes_that_agree_are_sure_and_two_that_do_not_are_said() -> None:
    both = judge_readings([parse_line("VBUS 0.001"), parse_line("VBUS 0.3ohm")], board=BOARD)[0]
    assert both.sure
    odd = judge_readings([parse_line("VSYS 0.003"), parse_line("VSYS 21k")], board=BOARD)[0]
    assert odd.verdict is Verdict.UNKNOWN
    assert any("do not agree" in r for r in odd.reasons)


def test_a_later_reading_in_the_same_mode_replaces_the_earlier() -> None:
    again = judge_readings([parse_line("VSYS 0.003"), parse_line("VSYS 0.42")], board=BOARD)[0]
    assert again.verdict is Verdict.HEALTHY


def test_good_boards_come_before_the_board_pack() -> None:
    good = [[parse_line("VSYS 0.30")]]
    found = judge_readings([parse_line("VSYS 0.31")], board=BOARD, good_boards=good)[0]
    assert found.verdict is Verdict.HEALTHY
    assert "1 good board" in found.reasons[0]


def test_swapped_probes_are_not_compared() -> None:
    good = [[parse_line("X 0.30", polarity=Polarity.RED_ON_GROUND)]]
    bad = [parse_line("X 0.7", polarity=Polarity.BLACK_ON_GROUND)]
    found = judge_readings(bad, good_boards=good)[0]
    assert found.verdict is Verdict.UNKNOWN
    assert "swapped" in found.reasons[0]


def test_a_line_that_reads_over_range_on_good_boards() -> None:
    good = [[parse_line("NC OL")]]
    assert judge_readings([parse_line("NC OL")], good_boards=good)[0].verdict is Verdict.HEALTHY
    assert judge_readings([parse_line("NC 0.4")], good_boards=good)[0].verdict is Verdict.LOW
    assert judge_readings([parse_line("NC 0.0")], good_boards=good)[0].verdict is Verdict.SHORT


def test_the_first_rail_is_the_upstream_short_at_its_noted_place() -> None:
    lines = ["V1V8 0.002", "VSYS 0.002", "VCORE 6ohm", "VBUS 0.4"]
    order = inject_order(judge_readings([parse_line(x) for x in lines], board=BOARD), board=BOARD)
    assert [o.target for o in order] == ["VSYS", "V1V8", "VCORE"]
    assert order[0].where.startswith("at C2")
    assert order[0].xy_mm == (5, 6)
    assert order[1].where.startswith("at TP4")


def test_triage_decides_between_two_shorts() -> None:
    lines = ["V1V8 0.002", "VBUS 0.002"]
    verdicts = judge_readings([parse_line(x) for x in lines], board=BOARD)
    order = inject_order(verdicts, board=BOARD, triage_verdict="main rail short")
    assert order[0].target == "VBUS"
    assert order[0].xy_mm == (3.0, 4.0)
    order = inject_order(verdicts, board=BOARD, triage_verdict="secondary rail short")
    assert order[0].target == "V1V8"


def test_healthy_rails_are_not_injected_into() -> None:
    assert inject_order(judge_readings([parse_line("VSYS 0.42")], board=BOARD)) == ()


def test_the_board_pack_alone_has_a_fixed_tolerance() -> None:
    e = build_expected(BOARD)["vsys", Mode.DIODE]
    assert (e.low, e.high) == pytest.approx((0.378, 0.462))
    with pytest.raises(ValueError, match="at least one"):
        expected_from_boards([])
    assert math.isinf(expected_from_boards([0.3, math.inf]).value)


@given(st.lists(st.floats(0.1, 1.0), min_size=1, max_size=8))
def test_the_interval_holds_its_own_mean_and_never_closes(values) -> None:
    e = expected_from_boards(values)
    assert e.low < e.value < e.high


@given(st.floats(0.0, 0.019), st.floats(0.0, 0.019))
def test_no_near_zero_diode_reading_is_called_healthy(a: float, b: float) -> None:
    for value in (a, b):
        r = parse_reading(f"{value:.4f}", target="VSYS")
        assert judge_readings([r], board=BOARD)[0].verdict is Verdict.SHORT


def test_what_was_seen_before_is_said_in_one_line() -> None:
    history = FaultHistory("lamp-driver", 9, {"C3": 2, "C17": 6, "U1": 1, "C9": 1})
    assert history.sentence == "seen before on this board type: C17 in 6, C3 in 2, C9 in 1 of 9"
    assert FaultHistory("x", 0).sentence == ""
