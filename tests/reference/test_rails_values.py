"""Readings, tolerances and triage against sources outside the project."""

import numpy as np
import pytest
from scipy import stats

from hotspot.rails.reading import Mode, parse_line, parse_reading
from hotspot.rails.signature import build_signature
from hotspot.rails.triage import triage
from hotspot.rails.verdict import expected_from_boards, judge_readings


@pytest.mark.parametrize(
    ("code", "ohms"),
    [
        # IEC 60062 (marking codes for resistors): the letter is the decimal point. From memory.
        ("R47", 0.47), ("4R7", 4.7), ("470R", 470.0), ("4K7", 4700.0), ("47K", 47e3),
        ("47K3", 47.3e3), ("470K", 470e3), ("4M7", 4.7e6),
    ],
)  # fmt: skip
def test_letter_and_digit_code_of_iec_60062(code: str, ohms: float) -> None:
    assert parse_reading(code, mode=Mode.OHM).value == pytest.approx(ohms)


def test_interval_against_scipys_student_distribution() -> None:
    # Prediction interval for one further observation, NIST/SEMATECH e-Handbook; the quantile from
    # an independent numerical integration of scipy's density.
    values = [0.412, 0.430, 0.405, 0.421, 0.398]
    e = expected_from_boards(values)
    half = e.high - e.value
    s = np.std(values, ddof=1)
    assert stats.t.cdf(half / (s * np.sqrt(1 + 1 / 5)), 4) == pytest.approx(0.975, abs=1e-6)


@pytest.mark.slow
def test_interval_holds_the_next_board_as_often_as_it_says() -> None:
    rng = np.random.default_rng(20)
    hits = 0
    for _ in range(3000):
        values = rng.normal(0.4, 0.03, 6)
        e = expected_from_boards(values[:5])
        hits += e.low <= values[5] <= e.high
    # 95 % of 3000 with a standard error of 0.4 %; three of them either way.
    assert 0.938 < hits / 3000 < 0.962


def test_ordinary_readings_of_the_trade() -> None:
    # Common practice, no source: 0.34 V and 0.238 V in diode mode on good lines, 0.000 V with the
    # beep on a short; after the part is off the line reads a few tenths of a volt again.
    lines = ["A 0.34", "B .238", "C 0.000 beep"]
    found = judge_readings([parse_line(line) for line in lines])
    assert [v.verdict.value for v in found] == ["healthy", "healthy", "short"]


def test_one_milliampere_and_no_rise_points_away_from_the_main_rail() -> None:
    # Common practice, no source.
    result = triage(build_signature(before_a=0.001, press_a=0.001, later_a=(0.001,)))
    assert result.verdict == "no prompt to boot"
    assert "1.8 V" in result.next
    assert result.confidence < 0.7


def test_a_current_before_the_button_is_the_main_rail() -> None:
    # Common practice, no source.
    assert triage(build_signature(before_a=1.2)).verdict == "main rail short"
