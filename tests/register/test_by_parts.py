"""Parts seen in the cold picture make a registration better, or leave it alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.board import Board
from hotspot.register.by_parts import LEAST_BODIES, refined_by_parts
from hotspot.register.from_landmarks import WEAK_CORNERS, fit_registration
from hotspot.register.lens import Lens, lens_of
from hotspot.register.registration import PlaneMap, Registration
from tests.register.made_board import (
    HEIGHT_MM,
    SHAPE,
    SIGMA_PX,
    THERMAL_FROM_BOARD,
    WIDTH_MM,
    cold_picture,
    made_board,
    mapped,
)

NONE_BAD = np.zeros(SHAPE, dtype=bool)
INSIDE_MM = np.array([[x, y] for x in (4, 13, 22, 31, 40) for y in (4, 12, 20, 28)], dtype=float)
CORNERS_MM = np.array([[0, 0], [WIDTH_MM, 0], [WIDTH_MM, HEIGHT_MM], [0, HEIGHT_MM]], dtype=float)
# Photo landmarks of `made_board`: 20 px a millimetre, y turned over.
PHOTO_PX = np.array([[0.0, 640.0], [20.0, -20.0]])
PARTS_PLACED_MM = 0.04


def on_photo(mm: np.ndarray) -> np.ndarray:
    return PHOTO_PX[0] + PHOTO_PX[1] * mm


def truly(mm: np.ndarray, lens: Lens | None = None) -> np.ndarray:
    at = mapped(THERMAL_FROM_BOARD, mm)
    return at if lens is None else lens.bent(at)


def clicked(
    rng: np.random.Generator, board: Board, *, sigma_px: float = 1.2, lens: Lens | None = None
) -> Registration:
    """Five landmarks clicked not very well: off by one or two pixels in between."""
    mm = np.array([[3, 4], [41, 3], [40, 29], [4, 28], [22, 15]], dtype=float)
    thermal = truly(mm, lens) + rng.normal(0, sigma_px, (5, 2))
    return fit_registration(
        np.c_[thermal, on_photo(mm)], board, click_sigma_thermal_px=max(sigma_px, 0.1)
    )


def refined(
    registration: Registration,
    board: Board | None,
    cold: np.ndarray,
    *,
    start: PlaneMap | None = None,
) -> Registration:
    return refined_by_parts(
        registration,
        start=start,
        board=board,
        cold=cold,
        bad=NONE_BAD,
        sigma_px=SIGMA_PX,
        board_mm=CORNERS_MM,
    )


def errors_px(registration: Registration, lens: Lens | None = None) -> np.ndarray:
    """(points, 2) of where it puts places of the board in the thermal picture."""
    assert registration.board_from_thermal is not None
    return registration.board_from_thermal.inverse().map(INSIDE_MM) - truly(INSIDE_MM, lens)


def off_px(registration: Registration, lens: Lens | None = None) -> float:
    return float(np.median(np.hypot(*errors_px(registration, lens).T)))


def squares(registration: Registration, lens: Lens | None = None) -> np.ndarray:
    """Squared errors in units of the covariance said, with what no map describes: mean 2."""
    assert registration.board_from_thermal is not None
    to_thermal = registration.board_from_thermal.inverse()
    least = registration.least_sigma_px**2 * np.eye(2)
    return np.array(
        [
            error @ np.linalg.solve(to_thermal.point_cov(at) + least, error)
            for at, error in zip(INSIDE_MM, errors_px(registration, lens), strict=True)
        ]
    )


def sigma_px(registration: Registration) -> float:
    to_thermal = registration.board_from_thermal.inverse()
    return float(np.mean([np.sqrt(np.trace(to_thermal.point_cov(p)) / 2) for p in INSIDE_MM]))


@pytest.mark.parametrize("edge_k", [0.0, 1.0, -2.0])
def test_clicks_off_by_pixels_are_brought_to_a_tenth_and_it_says_how_sure_it_is(
    edge_k: float,
) -> None:
    """However much warmer or colder than its bench the board as a whole is."""
    before, after, pulls, said = [], [], [], []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        board = made_board(rng)
        registration = clicked(rng, board)
        cold = cold_picture(board, rng, placed_mm=PARTS_PLACED_MM, edge_k=edge_k)
        better = refined(registration, board, cold)
        before.append(off_px(registration))
        after.append(off_px(better))
        pulls.append(squares(better).mean())
        said.append(sigma_px(better))
    assert np.median(before) > 0.7
    assert max(after) < 0.15
    # Rather said too large, but no more than a third of a pixel.
    assert np.mean(pulls) < 2.0
    assert max(pulls) < 4.0
    assert max(said) < 0.3


def test_photo_and_board_stay_on_one_another() -> None:
    rng = np.random.default_rng(10)
    board = made_board(rng)
    registration = clicked(rng, board)
    doubts = (f"{WEAK_CORNERS} it is good to 3 px only", "Landmark 2 is off by 9 px")
    registration = replace(registration, warnings=doubts)
    better = refined(registration, board, cold_picture(board, rng))
    assert better is not registration
    assert "parts seen in the cold picture" in better.refined_by
    # What the parts make good is no longer said; what is wrong with a click is.
    assert better.warnings == doubts[1:]
    photo_from_board = registration.photo_from_thermal.after(
        registration.board_from_thermal.inverse()
    )
    for at in (np.array([20.0, 15.0]), np.array([70.0, 50.0]), np.array([110.0, 80.0])):
        mm = better.board_from_thermal.map(at)
        photo = better.photo_from_thermal.map(at)
        np.testing.assert_allclose(photo, photo_from_board.map(mm), atol=1e-6)
        np.testing.assert_allclose(photo, on_photo(mm), atol=1.0)
        # Its error is that of the board's map, seen on the photo.
        scale = photo_from_board.jacobian(mm)
        cov = scale @ better.board_from_thermal.point_cov(at) @ scale.T
        np.testing.assert_allclose(better.photo_from_thermal.point_cov(at), cov, rtol=1e-3)


@pytest.mark.parametrize("k1", [-0.03, 0.03])
def test_a_lens_is_found(k1: float) -> None:
    for seed in range(2):
        rng = np.random.default_rng(seed)
        board = made_board(rng, parts=110)
        lens = lens_of(SHAPE, k1=k1)
        registration = clicked(rng, board, lens=lens)
        assert registration.board_from_thermal.lens is None  # five clicks tell of none
        cold = cold_picture(board, rng, placed_mm=PARTS_PLACED_MM, edge_k=1.0, lens=lens)
        better = refined(registration, board, cold)
        found = better.board_from_thermal.lens
        assert found is not None
        assert abs(found.k1 - k1) < 3 * found.k1_sigma
        assert found.k1_sigma < 0.005
        assert better.photo_from_thermal.lens.k1 == found.k1
        assert off_px(better, lens) < 0.1
        assert squares(better, lens).mean() < 2.0


def test_a_straight_picture_has_no_lens() -> None:
    for seed in range(4):
        rng = np.random.default_rng(30 + seed)
        board = made_board(rng, parts=110)
        better = refined(clicked(rng, board), board, cold_picture(board, rng, edge_k=0.5))
        assert better.least_sigma_px < Registration().least_sigma_px
        assert better.board_from_thermal.lens is None


def test_a_lens_known_before_is_made_better_too() -> None:
    rng = np.random.default_rng(35)
    board = made_board(rng)
    lens = lens_of(SHAPE, k1=-0.03)
    known = lens_of(SHAPE, k1=-0.02, k1_sigma=0.01)
    registration = clicked(rng, board, lens=lens)
    maps = [
        replace(m, lens=known)
        for m in (registration.board_from_thermal, registration.photo_from_thermal)
    ]
    registration = replace(registration, board_from_thermal=maps[0], photo_from_thermal=maps[1])
    better = refined(registration, board, cold_picture(board, rng, lens=lens))
    found = better.board_from_thermal.lens
    assert found.k1_sigma < 0.005
    assert abs(found.k1 + 0.03) < 3 * found.k1_sigma
    assert off_px(better, lens) < 0.15


def test_without_contrast_it_is_left_as_it_is() -> None:
    rng = np.random.default_rng(40)
    board = made_board(rng)
    registration = clicked(rng, board)
    assert refined(registration, board, cold_picture(board, rng, contrast_k=0.0)) is registration


def test_the_bodies_of_another_board_are_hardly_ever_believed() -> None:
    """Bodies at random places: here and there one fits, together they say nothing sure."""
    believed = 0
    for seed in range(12):
        rng = np.random.default_rng(50 + seed)
        board, other = made_board(rng), made_board(rng)
        registration = clicked(rng, board)
        believed += refined(registration, board, cold_picture(other, rng)) is not registration
    assert believed <= 3


def test_a_dozen_bodies_are_needed() -> None:
    rng = np.random.default_rng(60)
    board = made_board(rng, parts=LEAST_BODIES - 1)
    registration = clicked(rng, board)
    assert refined(registration, board, cold_picture(board, rng)) is registration


def test_bodies_that_contradict_clicks_are_not_believed() -> None:
    """All parts lie 3 px from where clicks of a fifth of a pixel say."""
    rng = np.random.default_rng(61)
    board = made_board(rng)
    registration = clicked(rng, board, sigma_px=0.2)
    moved = np.full((len(board.parts), 2), (2.0, 2.0))
    assert refined(registration, board, cold_picture(board, rng, moved_px=moved)) is registration


@pytest.mark.parametrize("missing", ["board", "registration", "scale", "parts"])
def test_without_board_or_registration_nothing_is_looked_at(missing: str) -> None:
    rng = np.random.default_rng(62)
    board = made_board(rng)
    registration = Registration() if missing == "registration" else clicked(rng, board)
    given = {
        "board": None,
        "registration": board,
        "scale": replace(board, units="photo_px"),
        "parts": replace(board, parts=()),
    }[missing]
    assert refined(registration, given, cold_picture(board, rng)) is registration


def test_a_registration_beside_the_picture_is_left_as_it_is() -> None:
    rng = np.random.default_rng(63)
    board = made_board(rng)
    registration = clicked(rng, board)
    away = replace(board, parts=tuple(replace(p, x_mm=p.x_mm + 300) for p in board.parts))
    assert refined(registration, away, cold_picture(board, rng)) is registration
