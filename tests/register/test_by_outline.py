"""The board's edge in the cold picture makes a registration better, or leaves it alone."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from hotspot.board import Board
from hotspot.heat.outline import share_inside
from hotspot.register.by_outline import refined_by_outline
from hotspot.register.from_landmarks import fit_registration
from hotspot.register.registration import Registration

SHAPE = (120, 160)
BOARD = Board(
    name="made",
    parts=(),
    width_mm=52.0,
    height_mm=38.0,
    photo_landmarks=np.array(
        [[2, 2, 40, 720], [50, 2, 1000, 720], [50, 36, 1000, 40], [2, 36, 40, 40]], dtype=float
    ),
)
CORNERS_MM = np.array([[0.0, 0.0], [52.0, 0.0], [52.0, 38.0], [0.0, 38.0]])
# Board mm to thermal px: 0.36 mm a pixel, y turned over, a little tilt.
THERMAL_FROM_BOARD = np.array([[2.7, 0.06, 9.0], [0.05, -2.72, 112.0], [3e-4, -2e-4, 1.0]])
INSIDE_MM = np.array([[x, y] for x in (6, 16, 26, 36, 46) for y in (5, 14, 24, 33)], dtype=float)


def mapped(matrix: np.ndarray, points: np.ndarray) -> np.ndarray:
    p = np.c_[points, np.ones(len(points))] @ matrix.T
    return p[:, :2] / p[:, 2:]


def clicked(rng: np.random.Generator, *, sigma_px: float = 0.8) -> Registration:
    """Five landmarks clicked with the usual error."""
    mm = np.array([[4, 4], [48, 5], [47, 34], [5, 33], [26, 20]], dtype=float)
    photo = np.c_[20 * mm[:, 0], 760 - 20 * mm[:, 1]]
    thermal = mapped(THERMAL_FROM_BOARD, mm) + rng.normal(0, sigma_px, (5, 2))
    return fit_registration(np.c_[thermal, photo], BOARD)


def cold_picture(rng: np.random.Generator, *, step_k: float, of: np.ndarray) -> np.ndarray:
    """A board on a bench, with parts on it."""
    on_board = share_inside(mapped(THERMAL_FROM_BOARD, of), shape=SHAPE)
    parts = np.zeros(SHAPE, np.float32)
    for x, y in mapped(THERMAL_FROM_BOARD, rng.uniform([3, 3], [49, 35], (40, 2))):
        row, column = round(float(y)), round(float(x))
        parts[row : row + 4, column : column + 3] = rng.normal(0, 0.3)
    seen = 22 + step_k * on_board + cv2.GaussianBlur(parts, (0, 0), 0.9)
    return (seen + rng.normal(0, 0.02, SHAPE)).astype(np.float32)


def refined(registration: Registration, cold: np.ndarray) -> tuple:
    bad = np.zeros(SHAPE, dtype=bool)
    return refined_by_outline(registration, board=BOARD, cold=cold, bad=bad)


def off_px(registration: Registration) -> np.ndarray:
    assert registration.board_from_thermal is not None
    seen = registration.board_from_thermal.inverse().map(INSIDE_MM)
    return np.hypot(*(seen - mapped(THERMAL_FROM_BOARD, INSIDE_MM)).T)


def test_a_clear_edge_halves_the_error_of_clicks_and_says_how_sure_it_is() -> None:
    before, after, pulls = [], [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        registration = clicked(rng)
        better, corners = refined(registration, cold_picture(rng, step_k=1.5, of=CORNERS_MM))
        before.append(np.median(off_px(registration)))
        after.append(np.median(off_px(better)))
        assert np.hypot(*(corners - mapped(THERMAL_FROM_BOARD, CORNERS_MM)).T).max() < 1.0
        to_thermal = better.board_from_thermal.inverse()
        middle = np.array([26.0, 19.0])
        error = to_thermal.map(middle) - mapped(THERMAL_FROM_BOARD, middle[None])[0]
        pulls.append(error @ np.linalg.solve(to_thermal.point_cov(middle), error) / 2)
    assert np.median(after) < 0.5 * np.median(before)
    # Squared errors in units of the covariance said: 1 on average, and rather said too large.
    assert np.mean(pulls) < 2.0


def test_photo_and_board_stay_on_one_another() -> None:
    rng = np.random.default_rng(20)
    better, _ = refined(clicked(rng), cold_picture(rng, step_k=1.5, of=CORNERS_MM))
    at = np.array([70.0, 50.0])
    mm = better.board_from_thermal.map(at)
    photo = better.photo_from_thermal.map(at)
    np.testing.assert_allclose(photo, [20 * mm[0], 760 - 20 * mm[1]], atol=0.5)
    assert "edge" in better.refined_by


def test_without_an_edge_the_registration_is_left_as_it_is() -> None:
    rng = np.random.default_rng(21)
    registration = clicked(rng)
    flat = (22 + rng.normal(0, 0.02, SHAPE)).astype(np.float32)
    kept, corners = refined(registration, flat)
    assert kept is registration
    expected = registration.board_from_thermal.inverse().map(CORNERS_MM)
    np.testing.assert_allclose(corners, expected)


def test_the_edge_of_a_board_that_is_no_rectangle_is_not_believed() -> None:
    """A third of the board is cut off: the edge there lies 40 px from where it is expected."""
    rng = np.random.default_rng(22)
    registration = clicked(rng, sigma_px=0.3)
    cut = np.array([[0.0, 0.0], [34.0, 0.0], [34.0, 38.0], [0.0, 38.0]])
    kept, _ = refined(registration, cold_picture(rng, step_k=1.5, of=cut))
    assert np.median(off_px(kept)) < np.median(off_px(registration)) + 0.3


@pytest.mark.parametrize("known", ["size", "registration"])
def test_without_size_or_registration_nobody_knows_the_corners(known: str) -> None:
    rng = np.random.default_rng(23)
    registration = Registration() if known == "size" else clicked(rng)
    board = BOARD if known == "size" else replace(BOARD, width_mm=None, height_mm=None)
    cold = cold_picture(rng, step_k=1.5, of=CORNERS_MM)
    kept, corners = refined_by_outline(
        registration, board=board, cold=cold, bad=np.zeros(SHAPE, dtype=bool)
    )
    assert kept is registration
    assert corners is None
