"""The panels beside the picture."""

from __future__ import annotations

import numpy as np
import pytest

from hotspot.evidence.panels import unbroken


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
