"""Copies that a camera delivers at random, and shutters that close among them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotspot.heat.shutter import FREEZE_CHANCE, find_freezes, find_runs
from tests.heat.test_audit_frames import NOISE_K, audit, board, noisy, recorded

RATE_HZ = 25.0
FRAMES = 900
# Small pictures: what repeats is told from its energy by zones of 8 x 8.
ROWS, COLS = 40, 56


def copied_at_random(
    rng: np.random.Generator, frames: np.ndarray, *, share: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return frames of which a share are copies of the one before, and which (n,) those are."""
    again = rng.random(len(frames)) < share
    again[0] = False
    return frames[np.maximum.accumulate(np.where(again, 0, np.arange(len(frames))))], again


def looks(rng: np.random.Generator, n: int = FRAMES) -> np.ndarray:
    return noisy(rng, n, board(rng, ROWS, COLS)).astype(np.float32)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_copies_at_random_are_no_shutter(seed: int) -> None:
    rng = np.random.default_rng(seed)
    frames, again = copied_at_random(rng, looks(rng), share=0.4)
    # There are runs as long as a shutter is closed for, or nothing is tested.
    assert max(end - first for first, end in find_runs(again)) >= 0.2 * RATE_HZ
    found = audit(recorded(frames, rate_hz=RATE_HZ))
    assert np.array_equal(found.repeated, again)
    assert not found.shutter.any()
    assert not found.segment.any()
    assert found.shutter_events == ()


@pytest.mark.parametrize("seed", [4, 5, 6])
def test_true_freezes_among_copies_at_random_begin_segments(seed: int) -> None:
    rng = np.random.default_rng(seed)
    frames, _ = copied_at_random(rng, looks(rng), share=0.4)
    freeze = round(0.6 * RATE_HZ)
    ends = (300 + freeze, 610 + freeze)
    for end in ends:
        frames[end:] += rng.normal(0, 0.5 * NOISE_K, (ROWS, COLS)).astype(np.float32)
        frames[end - freeze : end] = frames[end - freeze - 1]
        # The frame after a shutter is new.
        frames[end] += rng.normal(0, NOISE_K, (ROWS, COLS)).astype(np.float32)
    found = audit(recorded(frames, rate_hz=RATE_HZ))
    starts = np.flatnonzero(np.diff(found.segment)) + 1
    assert len(starts) == 2
    assert np.abs(starts - ends).max() <= 2
    for end in ends:
        assert found.shutter[end - freeze : end].all()
    assert found.shutter.sum() <= 2 * (freeze + 6)


def test_a_freeze_among_regular_copies_is_certain() -> None:
    rate, seen = 25.0, 9.0
    look = np.floor(np.arange(500) * seen / rate).astype(int)
    again = np.r_[False, np.diff(look) == 0]
    t_s = np.arange(500) / rate
    assert find_freezes(again, t_s) == ()
    first, end = 201, 201 + round(0.8 * rate)
    again[first:end] = True
    (freeze,) = find_freezes(again, t_s)
    assert freeze.certain
    assert abs(freeze.first - first) <= 2
    assert abs(freeze.end - end) <= 2


@settings(max_examples=12, deadline=None, derandomize=True)
@given(share=st.floats(0.05, 0.5), seed=st.integers(0, 2**16))
def test_copies_at_random_are_seldom_called_certain(share: float, seed: int) -> None:
    """Chance makes one in FREEZE_CHANCE recordings, by the geometric law of runs of copies.

    The number of runs of at least m among n frames that repeat with a share p is about
    n (1 - p) p^m: where that law is estimated from the runs themselves, five times is allowed.
    """
    rng = np.random.default_rng(seed)
    recordings = 200
    t_s = np.arange(FRAMES) / RATE_HZ
    certain = sum(
        f.certain for _ in range(recordings) for f in find_freezes(rng.random(FRAMES) < share, t_s)
    )
    # Three standard deviations of a Poisson count about five times the chance.
    limit = 5 * FREEZE_CHANCE * recordings
    assert certain <= limit + 3 * np.sqrt(limit)
