"""Landmark maps against other code and closed forms."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares
from skimage.transform import ProjectiveTransform, SimilarityTransform

from hotspot.register.fitting import fit_homography_algebraic, map_points
from hotspot.register.landmarks import fit_plane_map
from hotspot.register.levels import fit_most_likely
from hotspot.register.registration import PlaneMap

TRUE = np.array([[4.2, 0.3, 30.0], [-0.25, 4.1, 20.0], [2e-4, 3e-4, 1.0]])
GRID = np.stack(np.meshgrid(np.linspace(0, 255, 5), np.linspace(0, 191, 4)), -1).reshape(-1, 2)
PLAIN = {"click_sigma_source_px": 0.0, "tilt_prior": False, "find_wrong": False}


def pairs(rng, count, noise):
    """Pairs that float32 holds exactly: OpenCV rounds its input to it."""
    corners = np.array([[15.0, 12.0], [240.0, 20.0], [235.0, 180.0], [20.0, 170.0]])
    source = np.r_[corners, rng.uniform([10, 10], [245, 180], (count - 4, 2))]
    destination = map_points(TRUE, source) + rng.normal(0, noise, (count, 2))
    return source.astype(np.float32).astype(float), destination.astype(np.float32).astype(float)


def test_mapping_of_a_worked_example():
    # Hartley & Zisserman, Multiple View Geometry, 2e, eq. 2.5 (numbers computed with numpy).
    h = PlaneMap(np.array([[1.2, 0.1, 30], [-0.05, 1.1, 20], [1e-4, 2e-4, 1]]), np.zeros((8, 8)))
    points = np.array([[0, 0], [160, 0], [160, 120], [0, 120], [80, 60]], dtype=float)
    want = [[30, 20], [218.503937, 11.811024], [225, 138.461538], [41.015625, 148.4375],
            [129.411765, 80.392157]]  # fmt: skip
    assert np.allclose(h.map(points), want, rtol=1e-7)
    # Area factor det(H)/w^3, the Jacobian of a homography.
    assert np.isclose(np.linalg.det(h.jacobian(points[4])), 1.240850, rtol=1e-6)
    fitted = fit_plane_map(points[:4], np.array(want[:4]), **PLAIN)
    assert np.abs(fitted.matrix - h.matrix).max() < 1e-6


@pytest.mark.parametrize("count", [4, 6, 9])
def test_algebraic_fit_equals_scikit_image(count):
    source, destination = pairs(np.random.default_rng(count), count, 1.5)
    ours = map_points(fit_homography_algebraic(source, destination), GRID)
    theirs = ProjectiveTransform.from_estimate(source, destination)(GRID)
    assert np.abs(ours - theirs).max() < 1e-6


def test_four_points_equal_opencv_and_scikit_image():
    source, destination = pairs(np.random.default_rng(1), 4, 2.0)
    ours = fit_plane_map(source, destination, **PLAIN).map(GRID)
    opencv = map_points(cv2.findHomography(source, destination, 0)[0], GRID)
    assert np.abs(ours - opencv).max() < 1e-6
    skimage = ProjectiveTransform.from_estimate(source, destination)(GRID)
    assert np.abs(ours - skimage).max() < 1e-6


@pytest.mark.parametrize("count", [5, 7, 9])
def test_least_squares_fit_equals_opencv(count):
    # OpenCV stops its Levenberg-Marquardt iteration early (2e-5 to 3e-3 px here with 2 px noise):
    # its result is taken to the minimum with scipy before comparing, and ours must not cost more.
    source, destination = pairs(np.random.default_rng(count), count, 0.5)
    ours = fit_plane_map(source, destination, **PLAIN)
    opencv = cv2.findHomography(source, destination, 0)[0]
    cost = [((destination - map_points(m, source)) ** 2).sum() for m in (ours.matrix, opencv)]
    assert cost[0] <= cost[1] * (1 + 1e-12)
    assert np.abs(ours.map(GRID) - map_points(opencv, GRID)).max() < 1e-2

    def residual(h):
        return (destination - map_points(np.append(h, 1).reshape(3, 3), source)).ravel()

    end = least_squares(
        residual, opencv.ravel()[:8], x_scale=np.abs(opencv.ravel()[:8]), xtol=1e-15, ftol=1e-15,
        gtol=1e-15, method="lm",
    )  # fmt: skip
    finished = map_points(np.append(end.x, 1).reshape(3, 3), GRID)
    assert np.abs(ours.map(GRID) - finished).max() < 1e-6


def test_exact_points_are_mapped_exactly_as_by_opencv():
    source, destination = pairs(np.random.default_rng(2), 8, 0.0)
    ours = fit_plane_map(source, destination, **PLAIN).map(GRID)
    assert (
        np.abs(ours - map_points(cv2.findHomography(source, destination, 0)[0], GRID)).max() < 1e-4
    )


def test_affine_equals_linear_least_squares_and_similarity_equals_scikit_image():
    # scikit-image's own affine estimate minimises an algebraic error; numpy's lstsq is the one
    # that minimises distances in the destination. Its similarity is Umeyama, PAMI 13 (1991).
    source, destination = pairs(np.random.default_rng(3), 7, 1.0)
    affine = fit_plane_map(source, destination, model="affine", **PLAIN)
    solution = np.linalg.lstsq(np.c_[source, np.ones(7)], destination, rcond=None)[0]
    assert np.abs(affine.map(GRID) - np.c_[GRID, np.ones(len(GRID))] @ solution).max() < 1e-6
    similar = fit_plane_map(source, destination, model="similarity", **PLAIN)
    theirs = SimilarityTransform.from_estimate(source, destination)(GRID)
    assert np.abs(similar.map(GRID) - theirs).max() < 1e-6


def test_errors_on_both_sides_equal_the_full_adjustment():
    # Bundle adjustment over the map and the true source points at once, by scipy.
    source, destination = pairs(np.random.default_rng(4), 7, 1.0)
    source = source + np.random.default_rng(5).normal(0, 0.6, source.shape)
    ours = fit_most_likely(
        source, destination, sigma_source=0.6, sigma_destination=1.0, model="homography"
    )

    def residual(p):
        points = p[8:].reshape(-1, 2)
        mapped = map_points(np.append(p[:8], 1).reshape(3, 3), points)
        return np.r_[((source - points) / 0.6).ravel(), (destination - mapped).ravel()]

    start = np.r_[ours.matrix.ravel()[:8], source.ravel()]
    end = least_squares(
        residual, start, x_scale=np.abs(start) + 1e-6, xtol=1e-15, ftol=1e-15, gtol=1e-15
    )
    full = map_points(np.append(end.x[:8], 1).reshape(3, 3), GRID)
    assert np.abs(map_points(ours.matrix, GRID) - full).max() < 2e-2
    assert np.isclose(ours.chi2, 2 * end.cost, rtol=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize(("count", "model"), [(4, "homography"), (8, "homography"), (5, "affine")])
def test_mapped_point_covariance_agrees_with_monte_carlo(count, model):
    rng = np.random.default_rng(count)
    source, _ = pairs(rng, count, 0.0)
    true = TRUE.copy()
    if model == "affine":
        true[2, :2] = 0
    destination = map_points(true, source)
    wanted = np.array([[60.0, 50.0], [128.0, 100.0], [200.0, 150.0]])
    kw = {"sigma_source": 0.3, "sigma_destination": 0.8, "model": model}
    exact = fit_most_likely(source, destination, **kw)
    fitted = PlaneMap(exact.matrix, exact.cov)
    trials = 4000
    mapped = np.array(
        [
            map_points(
                fit_most_likely(
                    source + rng.normal(0, 0.3, source.shape),
                    destination + rng.normal(0, 0.8, source.shape),
                    **kw,
                ).matrix,
                wanted,
            )
            for _ in range(trials)
        ]
    )
    for i, point in enumerate(wanted):
        sampled = np.cov(mapped[:, i].T)
        carried = fitted.point_cov(point)
        assert np.allclose(np.diag(carried), np.diag(sampled), rtol=0.1)
        assert abs(carried[0, 1] - sampled[0, 1]) < 0.1 * np.sqrt(sampled[0, 0] * sampled[1, 1])


@pytest.mark.slow
@pytest.mark.parametrize(("count", "model"), [(2, "similarity"), (3, "affine")])
def test_covariance_of_two_and_three_clicks_agrees_with_monte_carlo(count, model):
    # The whole fit, as a technician's few clicks go through it; Monte Carlo is the outside check.
    turn = np.deg2rad(7.0)
    true = np.array(
        [[4 * np.cos(turn), -4 * np.sin(turn), 30], [4 * np.sin(turn), 4 * np.cos(turn), 20],
         [0, 0, 1.0]]
    )  # fmt: skip
    if model == "affine":
        true = true @ np.array([[1.0, 0.04, 0], [0, 0.93, 0], [0, 0, 1.0]])
    source = np.array([[12.0, 10.0], [244.0, 160.0], [15.0, 182.0]])[:count]
    destination = map_points(true, source)
    wanted = np.array([[60.0, 50.0], [128.0, 100.0], [230.0, 20.0]])
    kw = {"click_sigma_source_px": 0.4, "click_sigma_destination_px": 1.1, "tilt_prior": False}
    fitted = fit_plane_map(source, destination, **kw)
    assert fitted.model == model
    rng = np.random.default_rng(20 + count)
    mapped = np.array(
        [
            fit_plane_map(
                source + rng.normal(0, 0.4, source.shape),
                destination + rng.normal(0, 1.1, source.shape),
                **kw,
            ).map(wanted)
            for _ in range(2000)
        ]
    )
    for i, point in enumerate(wanted):
        sampled, carried = np.cov(mapped[:, i].T), fitted.point_cov(point)
        assert np.allclose(np.diag(carried), np.diag(sampled), rtol=0.1)
        assert abs(carried[0, 1] - sampled[0, 1]) < 0.1 * np.sqrt(sampled[0, 0] * sampled[1, 1])
