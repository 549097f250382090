"""The plain contrast of display video against closed forms, and when something begins to glow."""

from __future__ import annotations

import numpy as np
import pytest

from hotspot.heat.bins import BinSums
from hotspot.heat.calm import CalmBins, calm
from hotspot.heat.drive import Drive, drive_from_edges
from hotspot.heat.plain import find_glow, fit_plainly

ROWS, COLS, RATE_HZ, NOISE = 48, 64, 10.0, 2.0
NOWHERE = np.zeros((ROWS, COLS), dtype=bool)


def frame_times(seconds: float) -> np.ndarray:
    return (np.arange(int(seconds * RATE_HZ)) + 0.5) / RATE_HZ


def spot(x: float, y: float, sigma_px: float = 1.5) -> np.ndarray:
    rows, cols = np.mgrid[:ROWS, :COLS]
    return np.exp(-((cols - x) ** 2 + (rows - y) ** 2) / (2 * sigma_px**2))


def calmed(course: np.ndarray, t_s: np.ndarray, *, segments: int = 1, seed: int = 1) -> CalmBins:
    """White noise and a spot at (40, 20) that follows `course`."""
    rng = np.random.default_rng(seed)
    sums = BinSums((ROWS, COLS))
    for k, t in enumerate(t_s):
        frame = course[k] * spot(40, 20) + rng.normal(0, NOISE, (ROWS, COLS))
        sums.add(frame.astype(np.float32), t_s=t, segment=segments * k // len(t_s))
    return calm(sums.result(), cold=np.zeros((ROWS, COLS), np.float32), bad=NOWHERE)


def test_noise_has_unit_variance_in_the_contrast_and_in_the_quiet_ones() -> None:
    t_s = frame_times(30)
    bins = calmed(np.zeros(len(t_s)), t_s)
    fit = fit_plainly(bins, drive_from_edges((10.0,)), frame_t_s=t_s, logged=True)
    assert fit is not None
    # Drift removal takes a few per cent of white noise with it.
    assert np.std(fit.maps) == pytest.approx(1.0, abs=0.08)
    assert np.std(fit.quiet) == pytest.approx(1.0, abs=0.08)
    covered = fit.contrasts.quiet @ fit.covariance @ fit.contrasts.quiet.T
    np.testing.assert_allclose(covered, np.eye(len(covered)), atol=1e-8)
    assert not fit.contrasts.quiet[:, bins.bins.t_s > 10.0].any()


def test_where_a_shutter_left_offsets_what_lies_on_one_side_of_it_counts() -> None:
    """Cold, shutter, cold and warm, shutter, warm: the means would pay for both shutters."""
    t_s = frame_times(36)
    fit = fit_plainly(
        calmed(np.where(t_s > 18, 20.0, 0.0), t_s, segments=3), drive_from_edges((18.0,)),
        frame_t_s=t_s, logged=True,
    )  # fmt: skip
    assert fit is not None
    weight, segment = fit.contrasts.weights[0], np.repeat(range(3), len(fit.body[0]) // 3)
    # No offset is heard by more than a frame is, and the level of all not at all.
    heard = [float(weight[segment == s].sum()) for s in range(3)]
    assert sum(heard) == pytest.approx(0.0, abs=1e-9)
    middle = np.abs(weight[segment == 1]).sum()
    assert max(map(abs, heard)) < 0.1 * middle

    def snr(of: np.ndarray) -> float:
        step = (fit.contrasts.courses[0] > 0.5 * fit.contrasts.courses[0].max()).astype(float)
        return float(of @ step / np.sqrt(of @ fit.covariance @ of))

    means = np.where(weight > 0, 1.0, 0.0) / np.sum(weight > 0)
    means -= np.where(weight < 0, 1.0, 0.0) / np.sum(weight < 0)
    assert snr(weight) > 2 * snr(means)


def test_height_and_noise_are_those_of_a_difference_of_means() -> None:
    """Var(mean of n) = s²/n (any textbook): the SNR of a pixel follows."""
    t_s = frame_times(30)
    fit = fit_plainly(
        calmed(np.where(t_s > 10, 20.0, 0.0), t_s), drive_from_edges((10.0,)),
        frame_t_s=t_s, logged=True,
    )  # fmt: skip
    assert fit is not None
    weight = fit.contrasts.weights[0]
    cold, warm = weight < 0, weight > 0
    # 10 % and 0.1 s of the cold time are left out before the output was on.
    n_cold, n_warm = 10 * (10 - 1.1), 10 * 20
    expected = 20.0 / NOISE / np.sqrt(1 / n_cold + 1 / n_warm)
    assert fit.maps[0, 20, 40] == pytest.approx(expected, rel=0.05)
    rise = fit.contrasts.courses.T @ fit.maps[:, 20, 40]
    assert rise[warm].mean() == pytest.approx(20.0, rel=0.05)
    assert np.abs(rise[cold]).max() < 1e-9


def test_a_course_that_no_body_has_leaves_nothing_in_the_quiet_contrasts() -> None:
    """Jumps, falls and stays, as at the top of a scale that follows slowly."""
    t_s = frame_times(30)
    course = np.where(t_s > 10, 150 + 60 * np.sin(t_s) + 5 * (t_s - 20), 0.0)
    fit = fit_plainly(calmed(course, t_s), drive_from_edges((10.0,)), frame_t_s=t_s, logged=True)
    assert fit is not None
    assert fit.maps[0, 20, 40] > 300
    assert np.std(fit.quiet[:, 15:26, 35:46]) < 1.5


def test_without_a_log_the_hottest_place_tells_when_it_was_on() -> None:
    t_s = frame_times(30)
    on = (t_s > 10) & (np.mod(t_s, 6) < 3)
    bins = calmed(np.where(on, 40.0, 4.0 * (t_s > 10)), t_s)
    # All that was read off the frames besides the beginning is wrong.
    drive = drive_from_edges((10.0, 10.5))
    fit = fit_plainly(bins, drive, frame_t_s=t_s, logged=False)
    assert fit is not None
    inside = bins.bins.binned(on.astype(float))
    warm = fit.contrasts.weights[0] > 0
    assert (inside[warm] > 0.4).all()
    assert warm[inside > 0.99].all()
    assert fit_plainly(bins, drive, frame_t_s=t_s, logged=True) is None  # half a second of heat


@pytest.mark.parametrize("edges_s", [(0.3,), (1.0,), (29.9,)])
def test_too_little_before_or_after_is_no_measure(edges_s: tuple[float, ...]) -> None:
    t_s = frame_times(30)
    bins = calmed(np.zeros(len(t_s)), t_s)
    assert fit_plainly(bins, drive_from_edges(edges_s), frame_t_s=t_s, logged=True) is None


def test_nothing_switched_is_nothing_to_compare() -> None:
    t_s = frame_times(12)
    bins = calmed(np.zeros(len(t_s)), t_s)
    nothing = Drive(t_s=np.zeros(0), level=np.zeros(0))
    assert fit_plainly(bins, nothing, frame_t_s=t_s, logged=True) is None


def test_offsets_of_a_shutter_between_cold_and_warm_count_as_noise() -> None:
    t_s = frame_times(30)
    course = np.where(t_s > 12, 20.0, 0.0)
    drive = drive_from_edges((12.0,))
    whole = fit_plainly(calmed(course, t_s), drive, frame_t_s=t_s, logged=True)
    apart = fit_plainly(calmed(course, t_s, segments=2), drive, frame_t_s=t_s, logged=True)
    assert whole is not None
    assert apart is not None
    # The shutter is at 15 s: 3 s of heat in the segment that holds the cold; the rest of the heat
    # is known no better than an offset is, a frame's noise.
    before = 20.0 / NOISE / np.sqrt(1 / 30 + 1 / 107)
    assert apart.maps[0, 20, 40] == pytest.approx(before, rel=0.1)
    assert apart.maps[0, 20, 40] < 0.7 * whole.maps[0, 20, 40]


def test_a_glow_is_seen_from_its_first_second_on() -> None:
    t_s = frame_times(30)
    course = np.where(t_s > 9, 60 * (1 - np.exp(-(t_s - 9) / 2)), 0.0)
    begins_s = find_glow(calmed(course, t_s))
    assert begins_s is not None
    assert 9.0 < begins_s < 10.5


@pytest.mark.parametrize("seed", range(4))
def test_noise_alone_does_not_glow(seed: int) -> None:
    t_s = frame_times(30)
    assert find_glow(calmed(np.zeros(len(t_s)), t_s, seed=seed)) is None


def test_what_glows_from_the_start_has_no_beginning() -> None:
    t_s = frame_times(30)
    assert find_glow(calmed(60 * np.minimum(t_s, 3.0), t_s)) is None
    # A single blended frame is no beginning either.
    assert find_glow(calmed(np.where(np.abs(t_s - 15) < 0.06, 80.0, 0.0), t_s)) is None
