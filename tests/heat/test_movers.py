"""What moves at times of its own is found, and disturbs nothing any more."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray

from hotspot.heat.bins import BinnedFrames
from hotspot.heat.calm import CalmBins, at_bins, at_rest, calm
from hotspot.heat.drive import drive_from_edges
from hotspot.heat.fit import HeatFit, fit_heat
from hotspot.heat.mirror import Mirror, build_mirror
from hotspot.heat.movers import LEAST_BINS, MOST_MIRRORED
from hotspot.heat.response import whitening

ROWS, COLS, BINS = 48, 64, 150
T_S = np.arange(BINS) * 0.4
SPOT_XY, ONSET_S = (40, 20), 20.0


def board() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """A cold picture of a board on a bench, and the share of board in each pixel."""
    rng = np.random.default_rng(41)
    on_board = np.zeros((ROWS, COLS), np.float32)
    on_board[4:44, 5:59] = 1
    cold = 22 + 1.5 * on_board
    for _ in range(50):
        y, x = rng.integers(5, ROWS - 9), rng.integers(6, COLS - 10)
        cold[y : y + rng.integers(2, 5), x : x + rng.integers(2, 5)] += rng.normal(0, 0.8)
    return cold.astype(np.float32), on_board


def wind(rng: np.random.Generator, *, slow_s: float = 4.0) -> NDArray[np.float64]:
    """A smooth random course of unit spread."""
    lag = np.exp(-0.5 * ((T_S[:, None] - T_S) / slow_s) ** 2)
    course = np.linalg.cholesky(lag + 1e-8 * np.eye(BINS)) @ rng.standard_normal(BINS)
    return np.asarray((course - course.mean()) / course.std())


def picture(
    rng: np.random.Generator, cold: NDArray[np.float32], *, reach_px: float
) -> NDArray[np.float64]:
    """A smooth patch as the board's surface shows it, of unit spread."""
    y, x = np.mgrid[:ROWS, :COLS]
    at = rng.uniform(0.2, 0.8, 2) * (COLS, ROWS)
    shown = 1 + 0.1 * (cold - cold.mean())
    patch = shown * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * reach_px**2))
    return np.asarray(patch / patch.std())


def binned(values: NDArray[np.float64], cold: NDArray[np.float32]) -> BinnedFrames:
    """Bins (bins, rows, cols) of a frame each, with noise of 1."""
    return BinnedFrames(
        values=values.reshape(BINS, -1).astype(np.float32),
        frames=np.ones(BINS, np.int64),
        segment=np.zeros(BINS, np.int64),
        t_s=T_S,
        bin_of_frame=np.arange(BINS),
        noise=np.ones((ROWS, COLS), np.float32),
        reference=cold,
        shape=(ROWS, COLS),
    )


def scene(
    seed: int,
    *,
    winds: int = 0,
    wind_k: float = 0.5,
    reach_px: float = 16.0,
    spot_k: float = 0.0,
    outline: bool = True,
    pads_k: float = 0.0,
) -> tuple[CalmBins, list[NDArray[np.float64]]]:
    """Bins with noise of 1, winds and a spot; the drift taken out. And the winds' courses.

    What moves with the winds is mirrored in ten pads, too, where `pads_k` is not 0.
    """
    rng = np.random.default_rng(seed)
    cold, on_board = board()
    values = rng.standard_normal((BINS, ROWS, COLS))
    courses = [wind(rng) for _ in range(winds)]
    for course in courses:
        values += wind_k * course[:, None, None] * picture(rng, cold, reach_px=reach_px)
        for x, y in itertools.product(range(8, 57, 12), (8, 34)) if pads_k else ():
            values[:, y : y + 3, x : x + 3] += pads_k * rng.normal() * course[:, None, None]
    y, x = np.mgrid[:ROWS, :COLS]
    spot = np.exp(-((x - SPOT_XY[0]) ** 2 + (y - SPOT_XY[1]) ** 2) / (2 * 2.0**2))
    after = np.maximum(T_S - ONSET_S, 0)
    values += spot_k * (1 - np.exp(-after / 5.0))[:, None, None] * spot
    bins = binned(values, cold)
    bad = np.zeros((ROWS, COLS), bool)
    calmed = calm(bins, cold=cold, bad=bad, on_board=on_board if outline else None)
    return calmed, courses


def fitted(calm_bins: CalmBins) -> HeatFit:
    return fit_heat(calm_bins, drive_from_edges((ONSET_S,)), frame_t_s=T_S)


def explained(course: NDArray[np.float64], by: NDArray[np.float64]) -> float:
    """Share of a course's spread that courses (bins, n) explain, an offset free."""
    design = np.c_[np.ones(BINS), by]
    left = course - design @ np.linalg.lstsq(design, course, rcond=None)[0]
    return float(1 - left.var() / course.var())


@pytest.mark.parametrize("seed", range(6))
def test_noise_does_not_move(seed: int) -> None:
    calm_bins, _ = scene(seed)
    assert calm_bins.movers.shape == (BINS, 0)
    assert at_rest(calm_bins) is calm_bins


@pytest.mark.parametrize("winds", [1, 3])
def test_the_courses_of_winds_are_found(winds: int) -> None:
    calm_bins, courses = scene(7, winds=winds)
    assert winds <= calm_bins.movers.shape[1] <= winds + 1
    for course in courses:
        assert explained(course, calm_bins.movers) > 0.95


def test_as_many_courses_are_found_as_moved() -> None:
    """Of six gusts none covers more than a part of the board."""
    calm_bins, courses = scene(12, winds=6, reach_px=9.0)
    assert calm_bins.movers.shape[1] >= 5
    assert np.mean([explained(course, calm_bins.movers) for course in courses]) > 0.9


def test_nothing_is_said_without_the_boards_outline() -> None:
    calm_bins, _ = scene(7, winds=1, outline=False)
    assert calm_bins.movers.shape == (BINS, 0)


@pytest.mark.parametrize(("bins", "found"), [(LEAST_BINS - 1, False), (2 * LEAST_BINS, True)])
def test_few_bins_do_not_tell_what_moved(bins: int, found: bool) -> None:
    calm_bins, _ = scene(7, winds=1, wind_k=2.0)
    assert (at_bins(calm_bins, np.arange(BINS) < bins).movers.shape[1] > 0) == found


def test_at_rest_each_pixel_is_free_of_what_moved() -> None:
    calm_bins, _ = scene(8, winds=2)
    before = calm_bins.bins.values.copy()
    rested = at_rest(calm_bins)
    np.testing.assert_array_equal(calm_bins.bins.values, before)  # a copy
    np.testing.assert_array_equal(rested.movers, calm_bins.movers)
    white = whitening(calm_bins.covariance, segment=calm_bins.bins.segment)
    heard = calm_bins.movers.T @ white @ rested.bins.values
    scale = np.sqrt(np.diag(calm_bins.movers.T @ white @ calm_bins.movers))
    assert np.abs(heard / scale[:, None]).max() < 2e-3  # of noise of 1
    # What the free courses cannot explain is as it was.
    free = whitening(calm_bins.covariance, segment=calm_bins.bins.segment, extra=calm_bins.movers)
    np.testing.assert_allclose(free @ rested.bins.values, free @ before, atol=2e-3)


def test_heat_is_heard_beside_winds_nearly_as_without_them() -> None:
    """The winds take what the courses share with the heat's, and nothing else."""
    y, x = SPOT_XY[1], SPOT_XY[0]

    def heard(winds: int) -> float:
        snr = []
        for seed in range(4):
            of = fitted(scene(seed, winds=winds, wind_k=2.0, spot_k=1.5)[0])
            snr.append(np.sqrt(np.sum(of.maps[:, y - 1 : y + 2, x - 1 : x + 2].mean((1, 2)) ** 2)))
            far = np.hypot(*(np.indices((ROWS, COLS)) - np.array(SPOT_XY[::-1])[:, None, None]))
            assert np.std(of.maps[:, far > 12]) == pytest.approx(1.0, abs=0.1)
        return float(np.mean(snr))

    calm_air = heard(0)
    assert calm_air > 5
    assert heard(3) > 0.7 * calm_air


@pytest.mark.parametrize(("winds", "pads_k", "free"), [(6, 0, True), (2, 4, True), (6, 4, False)])
def test_many_courses_mirrored_in_pads_are_a_hand(winds: int, pads_k: float, free: bool) -> None:
    calm_bins, _ = scene(12, winds=winds, reach_px=9.0, spot_k=1.5, pads_k=pads_k)
    assert (calm_bins.movers.shape[1] > MOST_MIRRORED) == (winds == 6)
    fit = fitted(calm_bins)
    assert (fit.free.shape[1] > 0) == free


@pytest.mark.parametrize(("wind_k", "free"), [(0.1, 0), (1.0, 1)])
def test_a_wind_that_no_spot_feels_is_not_left_free(wind_k: float, free: int) -> None:
    calm_bins, _ = scene(13, winds=1, wind_k=wind_k)
    fit = fitted(calm_bins)
    assert fit.moved_by >= 1
    assert fit.free.shape[1] == free


def test_pads_that_mirror_what_many_courses_tell_are_a_hands_however_weakly() -> None:
    def mirror(winds: int, pads_k: float) -> Mirror | None:
        calm_bins, _ = scene(12, winds=winds, reach_px=9.0, pads_k=pads_k)
        return build_mirror(fitted(calm_bins), bad=calm_bins.bad)

    hand, draught = mirror(6, 1.0), mirror(2, 2.0)
    assert hand is not None
    assert hand.lively
    assert draught is not None
    assert not draught.lively
    assert mirror(6, 0.0) is None


def test_the_contrasts_are_those_of_least_squares_with_the_courses_free() -> None:
    """Against numpy's least squares of one pixel: offset, winds' courses and the heat."""
    calm_bins, _ = scene(9, winds=2, spot_k=1.0)
    fit = fitted(calm_bins)
    free = calm_bins.movers
    assert free.shape[1] >= 2
    # Orthogonal to what is free (the fit finds the courses on contrasts of its own).
    size = np.sqrt(np.sum(free**2, axis=0))
    assert np.abs(fit.contrasts.weights @ free / size).max() < 0.1
    pixel = calm_bins.bins.values[:, SPOT_XY[1] * COLS + SPOT_XY[0]].astype(np.float64)
    root = np.linalg.cholesky(np.linalg.inv(fit.covariance)).T
    courses = fit.contrasts.courses.T
    design = root @ np.c_[np.ones(BINS), free, courses]
    amounts = np.linalg.lstsq(design, root @ pixel, rcond=None)[0][-courses.shape[1] :]
    own = fit.contrasts.weights @ pixel
    # Each is a contrast of unit variance: the two ways must agree far within the noise.
    np.testing.assert_allclose(own, amounts, atol=0.35)


def test_strong_heat_is_not_taken_for_a_wind() -> None:
    calm_bins, _ = scene(10, spot_k=60.0)
    fit = fitted(calm_bins)
    y, x = SPOT_XY[1], SPOT_XY[0]
    heat = float(np.sqrt(np.sum(fit.maps[:, y, x] ** 2)))
    # 75 bins of heat of 60 nearly at its end, in noise of 1: 60 sqrt(75 / 2) and less.
    assert heat > 200


def test_a_place_that_moves_far_more_than_the_rest_is_doubted() -> None:
    calm_bins, _ = scene(11, winds=1)
    course = calm_bins.movers[:, 0] / calm_bins.movers[:, 0].std()
    mirror = np.s_[30:33, 12:15]
    values = calm_bins.bins.values.reshape(BINS, ROWS, COLS)
    values[:, mirror[0], mirror[1]] += 25 * course[:, None, None].astype(np.float32)
    fit = fitted(calm_bins)
    assert fit.doubt[31, 13] > 2.0
    assert np.median(fit.doubt) < 0.2
