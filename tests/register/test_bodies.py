"""Each body is found for itself, as well as it says, and none where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from hotspot.board import Board, Kind, Part
from hotspot.register.bodies import Bodies, measure_bodies
from tests.register.made_board import (
    SHAPE,
    SIGMA_PX,
    THERMAL_FROM_BOARD,
    cold_picture,
    made_board,
    mapped,
)

MM_PER_PX = 0.36
NONE_BAD = np.zeros(SHAPE, dtype=bool)


def outlines_of(board: Board) -> np.ndarray:
    return np.array([mapped(THERMAL_FROM_BOARD, p.corners_mm()) for p in board.parts])


def measured(outlines: np.ndarray, cold: np.ndarray, bad: np.ndarray = NONE_BAD) -> Bodies:
    return measure_bodies(outlines, cold=cold, bad=bad, sigma_px=SIGMA_PX, mm_per_px=MM_PER_PX)


def squares_of(bodies: Bodies, truth: np.ndarray) -> np.ndarray:
    """Squared errors of shifts in units of their covariance: chi-squared with two degrees."""
    error = bodies.shift_px - truth[bodies.index]
    return np.einsum("ni,nij,nj->n", error, np.linalg.inv(bodies.cov_px2), error)


def test_bodies_moved_at_random_are_found_within_their_error_bars() -> None:
    squares, sigmas, seen = [], [], 0
    for seed in range(6):
        rng = np.random.default_rng(seed)
        board = made_board(rng)
        moved = rng.normal(0, 0.25, (len(board.parts), 2))
        cold = cold_picture(board, rng, moved_px=moved)
        bodies = measured(outlines_of(board), cold)
        seen += len(bodies.index)
        squares += list(squares_of(bodies, moved))
        sigmas += list(np.sqrt(np.trace(bodies.cov_px2, axis1=1, axis2=2) / 2))
    assert seen > 250  # of 360, some with hardly any contrast
    assert np.median(sigmas) < 0.2
    # Chi-squared with two degrees of freedom: mean 2, one in twenty beyond 6.0.
    assert 1.5 < np.mean(squares) < 2.7
    assert np.mean(np.array(squares) > chi2.ppf(0.95, 2)) < 0.1


def test_a_body_that_moved_does_not_pull_at_its_neighbours() -> None:
    """Two rows of three, 1.1 px apart; the one in the middle of a row moved by half a pixel."""
    rng = np.random.default_rng(20)
    at = [(15 + 2.0 * i, 12 + 1.2 * k) for k in range(2) for i in range(3)]
    parts = [Part(f"R{i}", Kind.RESISTOR, "", x, y, 1.6, 0.8) for i, (x, y) in enumerate(at)]
    board = Board("rows", tuple(parts), width_mm=44.0, height_mm=32.0)
    moved = np.zeros((6, 2))
    moved[1] = (0.4, -0.3)
    weighted, weight = np.zeros((6, 2)), np.zeros((6, 2, 2))
    for _ in range(8):
        bodies = measured(outlines_of(board), cold_picture(board, rng, moved_px=moved))
        precision = np.linalg.inv(bodies.cov_px2)
        weight[bodies.index] += precision
        weighted[bodies.index] += (precision @ bodies.shift_px[:, :, None])[:, :, 0]
    mean = np.linalg.solve(weight, weighted[:, :, None])[:, :, 0]
    others = [0, 2, 3, 4, 5]
    np.testing.assert_allclose(mean[others], 0, atol=0.1)
    # One step does not bring it all the way.
    np.testing.assert_allclose(mean[1], moved[1], atol=0.15)


@pytest.mark.parametrize("slope_k", [0.0, 3.0])
def test_nothing_is_found_in_a_picture_without_bodies(slope_k: float) -> None:
    rng = np.random.default_rng(21)
    outlines = outlines_of(made_board(rng))
    slow = slope_k * np.linspace(0, 1, SHAPE[1]) ** 2
    found = 0
    for _ in range(6):
        cold = (22 + slow + rng.normal(0, 0.02, SHAPE)).astype(np.float32)
        found += len(measured(outlines, cold).index)
    assert found <= 1


def test_bad_pixels_and_what_is_not_a_number_say_nothing() -> None:
    rng = np.random.default_rng(22)
    board = made_board(rng)
    outlines = outlines_of(board)
    cold = cold_picture(board, rng)
    bad = np.zeros(SHAPE, dtype=bool)
    # On every body one, and a row of the sensor.
    x, y = np.round(outlines.mean(axis=1)).astype(int).T
    bad[y, x] = True
    bad[40] = True
    spoilt = np.where(bad, 60.0, cold).astype(np.float32)
    spoilt[y[0] + 1, x[0]] = np.nan
    bodies = measured(outlines, spoilt, bad)
    assert len(bodies.index) > 35
    assert np.median(squares_of(bodies, np.zeros((len(outlines), 2)))) < 3
    # Taken at their word, they are not bodies but dots, and hide what they stand on.
    taken = measured(outlines, np.nan_to_num(spoilt, nan=22.0))
    off = [np.median(np.hypot(*b.shift_px.T)) for b in (bodies, taken)]
    assert off[1] > 2 * off[0]


@pytest.mark.parametrize("where", ["far away", "nowhere"])
def test_bodies_outside_the_picture_are_not_found(where: str) -> None:
    rng = np.random.default_rng(23)
    board = made_board(rng)
    outlines = outlines_of(board) + (400.0 if where == "far away" else np.nan)
    assert len(measured(outlines, cold_picture(board, rng)).index) == 0
