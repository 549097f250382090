"""The panels beside the picture."""

from __future__ import annotations

import numpy as np
import pytest

from hotspot.evidence.overlay import BEGIN_SIGMA
from hotspot.evidence.panels import greatest_shown, unbroken


def test_a_line_stops_where_something_was_left_out() -> None:
    t_s = np.r_[np.arange(0.0, 10.0, 0.25), np.arange(40.0, 50.0, 0.25)]
    before, after = unbroken(t_s)
    assert t_s[before][-1] == pytest.approx(9.75)
    assert t_s[after][0] == pytest.approx(40.0)
    assert len(t_s[before]) + len(t_s[after]) == len(t_s)


def test_a_frame_lost_now_and_then_breaks_no_line() -> None:
    rng = np.random.default_rng(1)
    t_s = np.cumsum(rng.uniform(0.2, 0.3, 200))
    kept = np.delete(t_s, [50, 90, 91])
    assert len(unbroken(kept)) == 1
    assert unbroken(kept)[0] == slice(0, len(kept))


@pytest.mark.parametrize("count", [0, 1, 2])
def test_few_times_are_one_stretch(count: int) -> None:
    assert unbroken(np.arange(float(count))) == (slice(0, count),)


def test_rise_over_noise_is_shown_as_far_as_noise_goes_or_as_far_as_a_warm_board() -> None:
    noise = np.random.default_rng(2).standard_normal((60, 80))
    assert greatest_shown(noise) == BEGIN_SIGMA
    spot = noise.copy()
    spot[30:34, 40:44] += 400.0  # a spot is light, and the noise about it stays to be seen
    assert greatest_shown(spot) == BEGIN_SIGMA
    board = noise + np.where(np.arange(80) > 20, 80.0, 0.0)
    board[5, 5] = np.nan
    assert greatest_shown(board) == pytest.approx(82.0, abs=1.0)
    assert greatest_shown(np.full((4, 4), np.nan)) == BEGIN_SIGMA
