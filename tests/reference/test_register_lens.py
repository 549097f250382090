"""Radial distortion against OpenCV's camera model."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from hotspot.register.fitting import map_points
from hotspot.register.landmarks import fit_plane_map
from hotspot.register.lens import MOST_K1, lens_of

SHAPE = (192, 256)
GRID = np.stack(np.meshgrid(np.linspace(0, 255, 12), np.linspace(0, 191, 9)), -1).reshape(-1, 2)


def camera(k1):
    """OpenCV's camera of the same lens: focal length the unit of length, k1 alone."""
    lens = lens_of(SHAPE, k1=k1)
    f = lens.radius_px
    matrix = np.array([[f, 0, lens.centre_px[0]], [0, f, lens.centre_px[1]], [0, 0, 1.0]])
    return lens, matrix, np.array([k1, 0, 0, 0, 0.0])


@pytest.mark.parametrize("k1", [-0.12, -0.05, -0.01, 0.0, 0.02, 0.1])
def test_bending_is_opencvs_projection(k1):
    lens, matrix, distortion = camera(k1)
    rays = np.c_[(GRID - lens.centre_px) / lens.radius_px, np.ones(len(GRID))]
    projected = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), matrix, distortion)[0][:, 0]
    assert np.abs(lens.bent(GRID) - projected).max() < 1e-9


@pytest.mark.parametrize("k1", [-0.12, -0.05, -0.01, 0.0, 0.02, 0.1])
def test_straightening_is_opencvs(k1):
    lens, matrix, distortion = camera(k1)
    # All picture pixels, corners too; OpenCV's fixed-point iteration run to its end.
    stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 2000, 1e-13)
    theirs = (
        cv2.undistortPointsIter(GRID[:, None], matrix, distortion, np.eye(3), matrix, stop)[:, 0]
        if hasattr(cv2, "undistortPointsIter")
        else cv2.undistortPoints(GRID[:, None], matrix, distortion, P=matrix, criteria=stop)[:, 0]
    )
    assert np.abs(lens.straightened(GRID) - theirs).max() < 1e-6
    assert np.abs(lens.bent(lens.straightened(GRID)) - GRID).max() < 1e-9


@pytest.mark.parametrize("k1", [-MOST_K1, -0.05, 0.05, MOST_K1])
def test_derivatives_are_those_of_differences(k1):
    lens = lens_of(SHAPE, k1=k1)
    step = 1e-4
    more, less = lens_of(SHAPE, k1=k1 + 1e-6), lens_of(SHAPE, k1=k1 - 1e-6)
    for at in GRID[::7]:
        for move, derivatives in (("bent", lens.bent_by), ("straightened", lens.straightened_by)):
            by_point, by_k1 = derivatives(at)
            of = getattr(lens, move)
            numeric = np.stack(
                [(of(at + d) - of(at - d)) / (2 * step) for d in step * np.eye(2)], axis=1
            )
            assert np.abs(by_point - numeric).max() < 1e-5
            assert (
                np.abs(by_k1 - (getattr(more, move)(at) - getattr(less, move)(at)) / 2e-6).max()
                < 0.05
            )


def test_the_same_lens_on_another_grid():
    """A picture of half the pixels has the same lens: centre moved, unit of length halved."""
    lens = lens_of(SHAPE, k1=-0.08)
    full = np.array([[2.0, 0, 0.5], [0, 2.0, 0.5], [0, 0, 1.0]])  # small px to full px
    small = lens.seen_through(full)
    points = GRID / 2 - 0.25
    assert np.abs(small.straightened(points) - (lens.straightened(GRID) / 2 - 0.25)).max() < 1e-9


@pytest.mark.parametrize("k1", [-0.1, 0.0, 0.06])
def test_errors_are_stretched_as_differences_say(k1):
    lens = lens_of(SHAPE, k1=k1)
    step = 1e-4
    for at, cov in zip(GRID[::5], lens.straightened_covs(GRID[::5]), strict=True):
        moved = [
            (lens.straightened(at + d) - lens.straightened(at - d)) / (2 * step)
            for d in step * np.eye(2)
        ]
        by_point = np.stack(moved, axis=1)
        assert np.abs(cov - by_point @ by_point.T).max() < 1e-6


@pytest.mark.slow
def test_mapped_point_covariance_behind_a_lens_agrees_with_monte_carlo():
    """Map and lens fitted together to clicks drawn anew; Monte Carlo is the outside check.

    A single variance of 300 trials is good to 8 %: each must agree within three times that, their
    mean over places and axes within 10 %. (With 1000 trials each agreed within 11 %, the mean
    within 3 %.)
    """
    true = np.array([[4.1, 0.35, 40.0], [-0.3, 4.0, 60.0], [1.2e-4, -0.9e-4, 1.0]])
    clicks = np.array(
        [[12, 10], [240, 14], [244, 180], [15, 182], [128, 12], [126, 178], [14, 95], [243, 98],
         [128, 96], [70, 50], [190, 140], [185, 55]], dtype=float,
    )  # fmt: skip
    there = map_points(true, lens_of(SHAPE, k1=-0.1).straightened(clicks))
    wanted = np.array([[60.0, 50.0], [128.0, 100.0], [200.0, 150.0], [230.0, 20.0], [20.0, 20.0]])
    kw = {"click_sigma_source_px": 0.5, "click_sigma_destination_px": 1.0, "shape": SHAPE,
          "tilt_prior": False, "find_wrong": False}  # fmt: skip
    fitted = fit_plane_map(clicks, there, **kw)
    rng = np.random.default_rng(3)
    found = [
        fit_plane_map(
            clicks + rng.normal(0, 0.5, clicks.shape), there + rng.normal(0, 1.0, there.shape), **kw
        )
        for _ in range(300)
    ]
    assert all(f.lens is not None for f in found)
    sampled = np.var([f.map(wanted) for f in found], axis=0)
    carried = np.array([np.diag(fitted.point_cov(at)) for at in wanted])
    assert np.abs(carried / sampled - 1).max() < 0.25
    assert abs(np.mean(carried / sampled) - 1) < 0.1
