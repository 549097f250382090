"""Sums over time bins."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotspot.heat import bins as bins_module
from hotspot.heat.bins import BinSums

SHAPE = (7, 11)


def noisy(rng: np.random.Generator, n: int, sigma: float = 0.05) -> np.ndarray:
    return rng.normal(25.0, sigma, (n, *SHAPE)).astype(np.float32)


@settings(max_examples=30, deadline=None)
@given(
    steps=st.lists(st.floats(0.01, 3.0), min_size=5, max_size=150),
    cut=st.integers(0, 150),
    seed=st.integers(0, 2**32 - 1),
)
def test_no_frame_is_lost_whatever_the_times(steps: list[float], cut: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    t_s = np.cumsum(steps)
    frames = noisy(rng, len(steps))
    sums = BinSums(SHAPE, most_bins=32)
    used = rng.random(len(steps)) < 0.8
    used[0] = True
    for i, picture in enumerate(frames):
        if used[i]:
            sums.add(picture, t_s=float(t_s[i]), segment=int(i >= cut))
        else:
            sums.skip()
    bins = sums.result()
    assert len(bins.frames) <= 32
    assert bins.frames.sum() == used.sum()
    np.testing.assert_array_equal(bins.bin_of_frame >= 0, used)
    total = (bins.values * bins.frames[:, None]).sum(axis=0)
    expected = (frames[used].astype(float) - frames[0]).sum(axis=0).reshape(-1)
    np.testing.assert_allclose(total, expected, atol=1e-3)
    np.testing.assert_allclose(bins.binned(t_s), bins.t_s, rtol=1e-9)
    for b in range(len(bins.frames)):
        assert set(np.flatnonzero(bins.bin_of_frame == b) >= cut) == {bool(bins.segment[b])}


def test_the_noise_of_a_frame_is_measured_from_successive_frames() -> None:
    rng = np.random.default_rng(3)
    sums = BinSums(SHAPE)
    for i, picture in enumerate(noisy(rng, 1500, sigma=0.07)):
        warming = np.float32(1e-3 * i)  # slow changes are no noise
        sums.add(picture + warming, t_s=i / 25)
    # Spread of a variance from 1500 differences: 2 %; the median of 77 pixels is better yet.
    assert float(np.median(sums.result().noise)) == pytest.approx(0.07, rel=0.01)


def test_a_step_between_segments_is_not_noise() -> None:
    sums = BinSums(SHAPE)
    flat = np.full(SHAPE, 20.0, np.float32)
    for i in range(40):
        sums.add(flat + (i >= 20), t_s=i / 9, segment=int(i >= 20))
    assert np.all(sums.result().noise == 0)


def test_a_hole_counts_as_the_reference() -> None:
    sums = BinSums(SHAPE)
    first = np.full(SHAPE, 21.0, np.float32)
    holed = first + 1
    holed[2, 3] = np.nan
    sums.add(first, t_s=0.0)
    sums.add(holed, t_s=0.1)
    values = sums.result().values.reshape(-1, *SHAPE)
    assert values[0, 2, 3] == 0.0
    assert values[0, 0, 0] == 0.5


def test_bins_double_when_they_run_out() -> None:
    sums = BinSums(SHAPE, first_width_s=0.25, most_bins=32)
    rng = np.random.default_rng(4)
    for i, picture in enumerate(noisy(rng, 400)):
        sums.add(picture, t_s=i * 0.25)
    bins = sums.result()
    assert sums.width_s == 4.0
    assert len(bins.frames) == 25
    np.testing.assert_array_equal(bins.frames, 16)


def test_the_byte_budget_bounds_the_bins(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bins_module, "BUDGET_BYTES", 4 * 77 * 40)
    sums = BinSums(SHAPE)
    for i in range(300):
        sums.add(np.zeros(SHAPE, np.float32), t_s=i * 0.25)
    assert len(sums.result().frames) <= 40


def test_nothing_added_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="no frame"):
        BinSums(SHAPE).result()
