from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from hotspot.heat.clock import clean_times


def test_a_clean_clock_is_returned_to_the_bit() -> None:
    t = np.cumsum(np.random.default_rng(1).uniform(0.03, 0.05, 100))
    times, warnings = clean_times(t)
    assert np.array_equal(times, t)
    assert warnings == ()


def test_equal_backward_and_missing_stamps_are_replaced() -> None:
    t = np.arange(20) / 10.0
    bad = t.copy()
    bad[4], bad[9], bad[14], bad[19] = bad[3], 99.0, np.nan, -1.0
    times, warnings = clean_times(bad)
    np.testing.assert_allclose(times, t, rtol=0, atol=1e-9)
    assert warnings[0].startswith("4 frame times")


def test_a_gap_is_told_with_the_frames_lost() -> None:
    t = np.arange(50) / 10.0
    t[30:] += 0.7
    times, warnings = clean_times(t)
    assert np.array_equal(times, t)
    assert "1 gap" in warnings[0]
    assert "about 7 frames" in warnings[0]


@given(
    st.lists(
        st.one_of(st.floats(-1e6, 1e6), st.just(float("nan")), st.just(float("inf"))), max_size=60
    )
)
@example([-5e-324, float("nan"), 0.0])
@example([0.0, float("nan"), 5e-324, 1.0, 2.0])
def test_times_always_increase(stamps: list[float]) -> None:
    times, _ = clean_times(np.array(stamps, dtype=float))
    assert len(times) == len(stamps)
    assert np.isfinite(times).all()
    assert (np.diff(times) >= 0).all()
    if len({s for s in stamps if np.isfinite(s)}) > 1 and len(times) > 1:
        # Denormal differences may vanish in the spacing between them; real clocks have none.
        spread = np.ptp([s for s in stamps if np.isfinite(s)])
        assert spread < 1e-6 or np.diff(times).max() > 0


def test_one_stamp_is_enough() -> None:
    assert clean_times(np.array([3.0]))[0] == pytest.approx([3.0])
