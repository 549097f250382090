"""Numbers and sentences as people read them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.evidence import words
from hotspot.finding import DetectionLimit
from tests.evidence import scene


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.914, "91 %"), (0.999, "> 99 %"), (1.0, "> 99 %"), (0.004, "< 1 %"), (0.0, "< 1 %")],
)
def test_percent(value, text):
    assert words.percent(value).replace("\u00a0", " ") == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (3e-4, "3 in 10 000"), (1e-3, "1 in 1 000"), (0.05, "5 in 100"), (0.0099, "1 in 100"),
        (0.31, "31 %"), (1e-12, "less than 1 in a million"), (0.0, "less than 1 in a million"),
    ],
)  # fmt: skip
def test_odds(value, text):
    assert words.odds(value).replace("\u00a0", " ") == text


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.42, "K", "0.42 K"), (0.0123, "K", "12 mK"), (12.3, "K", "12 K"),
        (3.14, "relative", "3.1 relative units"), (0.0, "K", "0 mK"),
    ],
)  # fmt: skip
def test_rise(value, unit, text):
    assert words.rise(value, unit=unit) == text


def test_what_is_left_and_what_comes_next(tmp_path):
    board = scene.make_board(tmp_path)
    finding = scene.make_finding(board)
    assert words.something_else(finding) == pytest.approx(0.025)
    assert "C17" in words.next_steps(finding, rail="VSENSE")[0]
    close = replace(
        finding,
        suspects=(
            replace(finding.suspects[0], probability=0.5),
            replace(finding.suspects[1], probability=0.45),
        ),
    )
    assert "microscope" in words.next_steps(close)[0]
    assert "Check that current really flows" in words.next_steps(scene.make_quiet_finding(board))[0]
    assert "record again" in words.next_steps(scene.make_undecided_finding(board))[0]


def test_a_hint_points_at_a_part_and_names_none(tmp_path):
    hinted = scene.make_hinted_finding(scene.make_board(tmp_path))
    assert words.named_suspect(hinted) is None
    assert words.headline(hinted) == "Cannot tell"
    assert words.verdict_sentence(hinted).endswith("at C17.")
    steps = words.next_steps(hinted)
    assert "C17 in the picture" in steps[1]
    assert "Take nothing off" in steps[2]


@pytest.mark.parametrize(
    ("limit", "text"),
    [
        (None, ""),
        (
            DetectionLimit(0.03, 1e-3, "J4", 1.6e-3),
            "A short of about 1 mW or more would have been seen nine times in ten"
            " (30 mK; J4 needs most, 1.6 mW).",
        ),
        (
            DetectionLimit(0.3, 1.2),
            "A short of about 1.2 W or more would have been seen nine times in ten (0.30 K).",
        ),
        (DetectionLimit(3e9, 2.6e7), "No short would have been seen."),
        (
            DetectionLimit(0.03, None),
            "A part that warms by 30 mK would have been seen nine times in ten.",
        ),
    ],
)
def test_no_hot_spot_says_what_would_have_been_seen(tmp_path, limit, text):
    quiet = replace(scene.make_quiet_finding(scene.make_board(tmp_path)), limit=limit)
    assert " ".join(words.limit_sentences(quiet)) == text


def test_small_readings_of_the_supply_are_told_in_thousandths(tmp_path):
    board = scene.make_board(tmp_path)
    recording = scene.make_recording()
    log = recording.injection
    assert log is not None
    small = replace(recording, injection=replace(log, amps=np.where(log.on, 0.0024, 0.0)))
    said = words.injection_words(scene.make_finding(board), small)
    assert said.endswith("2.4 mA")


def test_a_place_that_is_not_believed_is_not_called_a_hot_spot(tmp_path):
    board = scene.make_board(tmp_path)
    assert words.spot_label(scene.make_finding(board)) == "hot spot"
    assert words.spot_label(scene.make_undecided_finding(board)) == "uncertain"


def test_place_states_the_95_percent_region(tmp_path):
    board = scene.make_board(tmp_path)
    spot = scene.make_finding(board).spots[0]
    # sqrt(chi2(2).ppf(0.95)) * sqrt((0.036 + 0.022) / 2) = 2.4477 * 0.1703 = 0.417 mm
    assert "within 0.42 mm at 95 %" in words.place_words(spot, board=board)


def test_what_the_registration_was_moved_onto_is_said(tmp_path):
    finding = scene.make_finding(scene.make_board(tmp_path))
    plain = words.registration_words(finding)
    seen = replace(finding.registration, refined_by="41 parts seen in the cold picture")
    said = words.registration_words(replace(finding, registration=seen))
    assert "moved onto" not in plain
    assert said == plain + ", then moved onto 41 parts seen in the cold picture"
