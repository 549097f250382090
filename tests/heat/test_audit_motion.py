"""Bumps: found where there are edges, to a twentieth of a pixel, never claimed from heat."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from hotspot.frame import ArraySource, Recording
from hotspot.heat.audit import FrameAudit, audit_frames
from hotspot.heat.shift import measure_shift, to_shifted
from hotspot.heat.values import value_converter
from hotspot.profile import CameraProfile, Values

ROWS, COLS, FINE = 64, 90, 8
NOISE_K = 0.05


def fine_board(rng: np.random.Generator, contrast_k: float) -> np.ndarray:
    """A board drawn on an eight times finer grid and blurred by optics of 0.7 px."""
    picture = np.zeros((ROWS * FINE, COLS * FINE))
    for _ in range(80):
        y, x = rng.integers(0, picture.shape[0]), rng.integers(0, picture.shape[1])
        h, w = rng.integers(2 * FINE, 14 * FINE, 2)
        picture[y : y + h, x : x + w] += rng.normal(0, contrast_k / 2)
    return ndimage.gaussian_filter(picture, 0.7 * FINE)


def seen(fine: np.ndarray, steps: tuple[int, int]) -> np.ndarray:
    """What pixels see of it when the content has moved by (x, y) steps of an eighth of a pixel."""
    moved = np.roll(fine, (steps[1], steps[0]), axis=(0, 1))
    return moved.reshape(ROWS, FINE, COLS, FINE).mean(axis=(1, 3))


def audit(frames: np.ndarray) -> FrameAudit:
    profile = CameraProfile("bench camera", COLS, ROWS, values=Values.CELSIUS)
    recording = Recording(
        "made here", profile, np.arange(len(frames)) / 9, ArraySource(frames.astype(np.float32))
    )
    return audit_frames(recording, to_values=value_converter(recording))


@pytest.mark.parametrize("steps", [(2, 0), (-5, 3), (13, -22), (40, 8), (0, -1)])
def test_a_bump_is_found_and_measured(steps: tuple[int, int]) -> None:
    rng = np.random.default_rng(100 + steps[0])
    fine = fine_board(rng, 2.0)
    pattern = rng.normal(0, 0.03, (ROWS, COLS))
    frames = np.stack([seen(fine, (0, 0) if i < 70 else steps) for i in range(160)])
    frames += pattern + rng.normal(0, NOISE_K, frames.shape)
    found = audit(frames)
    assert [b.index for b in found.bumps] == [70]
    truth = np.array(steps) / FINE
    np.testing.assert_allclose(found.shift_px[70:], np.tile(truth, (90, 1)), atol=0.05)
    assert not found.shift_px[:70].any()
    assert np.array_equal(found.moved, np.arange(160) >= 70)
    assert np.array_equal(found.segment, (np.arange(160) >= 70).astype(int))
    assert found.used.all()


def test_a_knock_that_swings_for_some_frames_costs_only_those() -> None:
    rng = np.random.default_rng(5)
    fine = fine_board(rng, 2.0)
    course = {70: (20, 4), 71: (-8, 3), 72: (14, 9)}
    frames = np.stack([seen(fine, course.get(i, (0, 0) if i < 70 else (8, 4))) for i in range(150)])
    found = audit(frames + rng.normal(0, NOISE_K, frames.shape))
    assert len(found.bumps) == 1
    np.testing.assert_allclose(found.shift_px[-1], (1.0, 0.5), atol=0.05)
    assert np.array_equal(np.flatnonzero(~found.used), [70, 71, 72])


def test_heat_does_not_move_the_picture() -> None:
    rng = np.random.default_rng(6)
    frames = np.repeat(seen(fine_board(rng, 2.0), (0, 0))[None], 160, axis=0)
    y, x = np.mgrid[:ROWS, :COLS]
    spot = np.exp(-((x - 50.3) ** 2 + (y - 20.7) ** 2) / (2 * 3.0**2))
    wide = np.exp(-((x - 50.3) ** 2 + (y - 20.7) ** 2) / (2 * 12.0**2))
    course = np.clip(1 - np.exp(-(np.arange(160) - 60) / 4), 0, None)[:, None, None]
    frames = frames + course * (8 * spot + 1.5 * wide) + rng.normal(0, NOISE_K, frames.shape)
    found = audit(frames)
    assert found.bumps == ()
    assert found.shutter_events == ()
    assert found.used.all()


def test_a_hand_passing_over_a_third_of_the_picture_is_no_bump_and_no_shutter() -> None:
    rng = np.random.default_rng(7)
    frames = np.repeat(seen(fine_board(rng, 2.0), (0, 0))[None], 160, axis=0)
    for i in range(60, 100):
        edge = min(COLS // 3, (i - 58) * 7, (102 - i) * 7)
        frames[i, :, :edge] += 6.0
    found = audit(frames + rng.normal(0, NOISE_K, frames.shape))
    assert found.bumps == ()
    assert found.shutter_events == ()


def test_without_edges_no_motion_is_claimed() -> None:
    rng = np.random.default_rng(8)
    fine = fine_board(rng, 0.02)
    frames = np.stack([seen(fine, (0, 0) if i < 70 else (12, 12)) for i in range(140)])
    found = audit(frames + rng.normal(0, NOISE_K, frames.shape))
    assert found.bumps == ()


def test_a_bump_hidden_in_a_shutter_event_is_found() -> None:
    rng = np.random.default_rng(9)
    fine = fine_board(rng, 2.0)
    frames = np.stack([seen(fine, (0, 0) if i < 70 else (6, -4)) for i in range(150)])
    frames += rng.normal(0, NOISE_K, frames.shape)
    frames[65:70] = frames[64]
    frames[70:] += 0.2 + rng.normal(0, 0.05, (ROWS, COLS))
    found = audit(frames)
    assert [e.index for e in found.shutter_events] == [70]
    assert np.array_equal(np.flatnonzero(found.shutter), np.arange(65, 70))
    np.testing.assert_allclose(found.shift_px[-1], (0.75, -0.5), atol=0.05)
    assert found.segment.max() == 1


def test_shifting_agrees_with_scipy() -> None:
    picture = ndimage.gaussian_filter(np.random.default_rng(3).normal(0, 1, (40, 52)), 2)
    picture = picture.astype(np.float32)
    for x, y in ((0.3, -0.7), (2.4, -3.2), (-0.5, 1.0), (0.0, 0.0)):
        ours = to_shifted(picture, np.array([x, y]))
        # Splines and cubic convolution differ by their interpolation error, 1 % here.
        theirs = ndimage.shift(picture, (y, x), order=3, mode="nearest")
        np.testing.assert_allclose(ours[6:-6, 6:-6], theirs[6:-6, 6:-6], atol=0.02 * picture.std())


def test_shift_agrees_with_phase_correlation_of_a_general_library() -> None:
    from skimage.registration import phase_cross_correlation

    rng = np.random.default_rng(4)
    fine = fine_board(rng, 2.0)
    a = seen(fine, (0, 0)).astype(np.float32)
    b = seen(fine, (-11, 17)).astype(np.float32)
    found = measure_shift(a, b, noise=0.001)
    assert found is not None
    window = np.outer(np.hanning(ROWS), np.hanning(COLS))
    theirs, _, _ = phase_cross_correlation(
        (b - b.mean()) * window, (a - a.mean()) * window, upsample_factor=100
    )
    np.testing.assert_allclose(found.xy_px, (-11 / FINE, 17 / FINE), atol=0.02)
    np.testing.assert_allclose(found.xy_px, theirs[::-1], atol=0.15)


@pytest.mark.slow
def test_noise_alone_never_moves_and_errors_are_honest() -> None:
    pulls, false = [], 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        fine = fine_board(rng, 0.6)
        steps = tuple(int(v) for v in rng.integers(-20, 21, 2))
        noise = 0.03
        still, moved, again = (
            (seen(fine, s) + rng.normal(0, noise, (ROWS, COLS))).astype(np.float32)
            for s in ((0, 0), steps, (0, 0))
        )
        false += measure_shift(still, again, noise=noise) is not None
        found = measure_shift(still, moved, noise=noise)
        if found is not None:
            pulls.extend((found.xy_px - np.array(steps) / FINE) / found.sigma_px)
    assert false == 0
    assert len(pulls) >= 90
    # The larger of two component errors is stated for both: pulls may be narrower than 1.
    assert 0.4 < np.std(pulls) < 1.3


def mirrors_and_mask(rng: np.random.Generator) -> np.ndarray:
    """How much of the room each pixel mirrors: pads and traces all over a mask, seen by optics."""
    shown = np.full((ROWS * FINE, COLS * FINE), 0.1)
    for _ in range(70):
        y, x = rng.integers(0, shown.shape[0]), rng.integers(0, shown.shape[1])
        h, w = rng.integers(2 * FINE, 6 * FINE, 2)
        shown[y : y + h, x : x + w] = 0.7
    return ndimage.gaussian_filter(shown, 0.7 * FINE)


@pytest.mark.parametrize("steps", [(0, 0), (3, -2)])
def test_edges_that_turn_dark_for_bright_have_not_moved(steps: tuple[int, int]) -> None:
    """A room colder than the board is mirrored at first, then a hand that is warmer."""
    for seed in range(4):
        rng = np.random.default_rng(seed)
        mirror = mirrors_and_mask(rng)
        y, x = np.mgrid[: ROWS * FINE, : COLS * FINE] / FINE
        hand = np.exp(-((x - 50) ** 2 + (y - 30) ** 2) / (2 * 40.0**2))
        before = 24 - 3 * mirror
        after = 24 + (7 * hand - 3) * mirror
        a, b = (
            (seen(p, s) + rng.normal(0, 0.02, (ROWS, COLS))).astype(np.float32)
            for p, s in ((before, (0, 0)), (after, steps))
        )
        assert measure_shift(a, b, noise=0.02) is None
        # The same picture at another place has moved.
        moved = (seen(before, (4, -3)) + rng.normal(0, 0.02, (ROWS, COLS))).astype(np.float32)
        found = measure_shift(a, moved, noise=0.02)
        assert found is not None
        np.testing.assert_allclose(found.xy_px, (4 / FINE, -3 / FINE), atol=0.1)
