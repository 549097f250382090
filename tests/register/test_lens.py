"""A bent lens is found where the clicks show it, and carried through every map."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.board import Board, Kind, Part
from hotspot.coarse import Coarse
from hotspot.evidence.registration import draw_registration
from hotspot.files.registrations import load_registration, save_registration
from hotspot.register.fitting import map_points
from hotspot.register.from_landmarks import fit_registration
from hotspot.register.landmarks import fit_plane_map
from hotspot.register.lens import lens_of
from hotspot.register.registration import PlaneMap
from hotspot.register.rig import _moved
from hotspot.register.warp import to_straight_matrix, warp_picture

SHAPE = (192, 256)
TRUE = np.array([[4.1, 0.35, 40.0], [-0.3, 4.0, 60.0], [1.2e-4, -0.9e-4, 1.0]])
# Where a person would click: corners, sides, middle.
TWELVE = np.array(
    [[12, 10], [240, 14], [244, 180], [15, 182], [128, 12], [126, 178], [14, 95], [243, 98],
     [128, 96], [70, 50], [190, 140], [185, 55]], dtype=float,
)  # fmt: skip
INSIDE = np.stack(np.meshgrid(np.linspace(10, 245, 9), np.linspace(8, 183, 7)), -1).reshape(-1, 2)


def clicks(rng, k1, points=TWELVE, noise=0.5):
    photo = map_points(TRUE, lens_of(SHAPE, k1=k1).straightened(points))
    return (
        points + rng.normal(0, noise, points.shape),
        photo + rng.normal(0, 1.0, points.shape),
    )


def error_px(fitted, k1):
    there = map_points(TRUE, lens_of(SHAPE, k1=k1).straightened(INSIDE))
    return np.sqrt(((fitted.map(INSIDE) - there) ** 2).sum(axis=1).mean()) / 4


@pytest.mark.parametrize("k1", [-0.1, -0.05, 0.06])
def test_a_bent_lens_is_found_and_helps(k1):
    rng = np.random.default_rng(4)
    thermal, photo = clicks(rng, k1)
    plain = fit_plane_map(thermal, photo)
    fitted = fit_plane_map(thermal, photo, shape=SHAPE)
    assert fitted.lens is not None
    assert abs(fitted.lens.k1 - k1) < 3 * fitted.lens.k1_sigma
    assert fitted.outliers == ()
    assert error_px(fitted, k1) < 0.7 * error_px(plain, k1)
    assert error_px(fitted, k1) < 0.7
    there = fitted.map(INSIDE)
    assert np.abs(fitted.inverse().map(there) - INSIDE).max() < 1e-6


def test_a_straight_lens_stays_straight():
    rng = np.random.default_rng(5)
    found = [fit_plane_map(*clicks(rng, 0.0), shape=SHAPE).lens is not None for _ in range(12)]
    assert sum(found) <= 1  # one in a hundred by the level of the test


def test_few_clicks_do_not_show_a_lens():
    thermal, photo = clicks(np.random.default_rng(6), -0.1, TWELVE[:7])
    assert fit_plane_map(thermal, photo, shape=SHAPE).lens is None


def test_a_wrong_click_is_named_behind_a_bent_lens():
    thermal, photo = clicks(np.random.default_rng(7), -0.08)
    thermal[4] += [15.0, 9.0]
    fitted = fit_plane_map(thermal, photo, shape=SHAPE)
    assert fitted.outliers == (4,)
    assert fitted.lens is not None
    assert error_px(fitted, -0.08) < 0.7
    # And a wrong click does not make a lens of a straight one.
    thermal, photo = clicks(np.random.default_rng(8), 0.0)
    thermal[2] += [12.0, 9.0]
    fitted = fit_plane_map(thermal, photo, shape=SHAPE)
    assert fitted.outliers == (2,)
    assert fitted.lens is None


@pytest.mark.slow
def test_the_error_bar_holds_with_a_lens():
    """Mapped points of many simulated fits scatter as their covariance says."""
    rng = np.random.default_rng(9)
    held = []
    for _ in range(40):
        fitted = fit_plane_map(
            *clicks(rng, -0.07), shape=SHAPE, click_sigma_source_px=0.5, find_wrong=False
        )
        if fitted.lens is None:
            continue
        true = map_points(TRUE, lens_of(SHAPE, k1=-0.07).straightened(INSIDE))
        for at, there in zip(INSIDE, true, strict=True):
            e = fitted.map(at) - there
            held.append(e @ np.linalg.solve(fitted.point_cov(at), e) < 5.991)
    assert len(held) > 20 * len(INSIDE)
    assert 0.88 < np.mean(held) <= 1.0


def registered():
    mm_from_photo = np.array([[0.05, 0, -10.0], [0, -0.05, 50.0], [0, 0, 1.0]])
    corners = np.array([[60, 80], [1000, 90], [990, 760], [80, 740]], dtype=float)
    board = Board(
        "demo",
        (Part("C1", Kind.CAPACITOR, "0402", 5.0, 5.0, 1.0, 0.5),),
        photo_landmarks=np.c_[map_points(mm_from_photo, corners), corners],
    )
    thermal, photo = clicks(np.random.default_rng(4), -0.09)
    return fit_registration(np.c_[thermal, photo], board, shape=SHAPE), mm_from_photo


def test_the_lens_goes_with_the_registration(tmp_path):
    found, mm_from_photo = registered()
    assert "the lens moves the corners in by" in found.support
    lens = lens_of(SHAPE, k1=-0.09)
    mm = map_points(mm_from_photo, map_points(TRUE, lens.straightened(INSIDE)))
    assert np.abs(found.board_from_thermal.map(INSIDE) - mm).max() < 0.6
    # Board to photo by way of the thermal picture: the lens cancels.
    across = found.photo_from_thermal.after(found.board_from_thermal.inverse())
    assert across.lens is None
    assert across.lens_after is None
    at = found.board_from_thermal.map(INSIDE)
    assert np.abs(across.map(at) - found.photo_from_thermal.map(INSIDE)).max() < 1e-6
    # On half the grid.
    coarse = Coarse(2, full_shape=SHAPE, bad=np.zeros(SHAPE, bool)).reduced_registration(found)
    small = INSIDE / 2 - 0.25
    assert (
        np.abs(coarse.photo_from_thermal.map(small) - found.photo_from_thermal.map(INSIDE)).max()
        < 1e-6
    )
    # Through a file.
    save_registration(tmp_path / "r.json", found)
    again = load_registration(tmp_path / "r.json")[0].photo_from_thermal
    assert np.array_equal(again.map(INSIDE), found.photo_from_thermal.map(INSIDE))
    assert np.array_equal(again.point_cov(INSIDE[0]), found.photo_from_thermal.point_cov(INSIDE[0]))


def test_a_lens_in_the_middle_is_the_callers_mistake():
    bent = replace(PlaneMap(TRUE, np.zeros((8, 8))), lens=lens_of(SHAPE, k1=-0.05))
    with pytest.raises(ValueError, match="lens between two maps"):
        bent.after(PlaneMap(TRUE, np.zeros((8, 8))))


def test_a_nudged_board_keeps_the_lens_of_its_camera():
    kept = replace(PlaneMap(TRUE, np.zeros((8, 8))), lens=lens_of(SHAPE, k1=-0.08))
    turn = np.deg2rad(1.5)
    nudge = np.array(
        [[np.cos(turn), -np.sin(turn), 4.0], [np.sin(turn), np.cos(turn), -3.0], [0, 0, 1.0]]
    )
    motion = PlaneMap(nudge, np.zeros((8, 8)))  # as the pictures show it, now to then
    moved = _moved(kept, motion)
    assert moved.lens is kept.lens
    middle = np.array([[128.0, 96.0], [100.0, 60.0], [170.0, 130.0]])
    assert np.abs(moved.map(middle) - kept.map(motion.map(middle))).max() < 0.4 * 4


def test_pictures_follow_the_lens():
    """A dot in a corner of the thermal picture lands where the map takes it."""
    bent = replace(
        PlaneMap(np.diag([2.0, 2.0, 1.0]), np.zeros((8, 8))), lens=lens_of(SHAPE, k1=-0.1)
    )
    picture = np.zeros(SHAPE, np.float32)
    picture[30:33, 40:43] = 1.0
    shown = warp_picture(picture, bent, size=(512, 384))
    rows, cols = np.nonzero(shown > 0.5)
    assert np.hypot(*(bent.map(np.array([41.0, 31.0])) - [cols.mean(), rows.mean()])) < 0.7
    # A screen that cannot bend shows the nearest homography.
    flat = PlaneMap(to_straight_matrix(bent), np.zeros((8, 8)))
    off = np.hypot(*(flat.map(INSIDE) - bent.map(INSIDE)).T)
    assert off.max() < 0.5 * np.hypot(*(2 * INSIDE - bent.map(INSIDE)).T).max()
    photo = np.full((384, 512, 3), 90, np.uint8)
    noise = np.random.default_rng(1).normal(25, 0.1, SHAPE).astype(np.float32)
    drawn = draw_registration(photo, noise, bent).astype(int)
    assert (np.abs(drawn[..., 0] - drawn[..., 2]) > 60).any()
