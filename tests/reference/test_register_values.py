"""Plane maps and shifts against textbook identities and other libraries.

Hartley & Zisserman, Multiple View Geometry, 2nd ed., ch. 2 and 4; numbers computed with OpenCV and
numpy apart from this project.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.registration import phase_cross_correlation

from hotspot.errors import RegistrationError
from hotspot.heat.shift import measure_shift
from hotspot.register.fitting import fit_homography_algebraic, map_points
from hotspot.register.landmarks import choose_model, fit_plane_map
from hotspot.register.registration import PlaneMap

H = np.array([[1.2, 0.1, 30], [-0.05, 1.1, 20], [1e-4, 2e-4, 1]])
CORNERS = np.array([[0, 0], [160, 0], [160, 120], [0, 120]], dtype=float)
PLAIN = {"click_sigma_source_px": 0.0, "tilt_prior": False, "find_wrong": False}


def test_degrees_of_freedom_and_the_points_that_fix_them() -> None:
    # Homography 8, affine 6, similarity 4: four, three, two pairs.
    assert [choose_model(n) for n in (2, 3, 4, 9)] == [
        "similarity", "affine", "homography", "homography",
    ]  # fmt: skip
    with pytest.raises(RegistrationError):
        choose_model(1)


def test_inverse_scale_and_product() -> None:
    plane = PlaneMap(H, np.zeros((8, 8)))
    points = np.array([[3.0, 7.0], [80.0, 60.0], [151.0, 33.0]])
    np.testing.assert_allclose(plane.inverse().map(plane.map(points)), points, atol=1e-10)
    scaled = PlaneMap(-7.3 * H, np.zeros((8, 8)))
    np.testing.assert_allclose(scaled.map(points), plane.map(points), atol=1e-10)
    other = PlaneMap(
        np.array([[0.9, 0.02, -4], [0.01, 1.3, 6], [-2e-4, 1e-4, 1]]), np.zeros((8, 8))
    )
    np.testing.assert_allclose(
        other.after(plane).map(points), other.map(plane.map(points)), atol=1e-10
    )


def test_four_corners_recover_the_map() -> None:
    # Algorithm 4.1 (direct linear transform).
    found = fit_homography_algebraic(CORNERS, map_points(H, CORNERS))
    assert np.abs(found / found[2, 2] - H).max() < 1e-9


def test_cross_ratio_is_kept() -> None:
    # Sec. 2.5: points at 0, 30, 70, 150 of y = x/2 + 3 have (AC/BC)/(AD/BD) = 1.4.
    x = np.array([0.0, 30.0, 70.0, 150.0])
    points = PlaneMap(H, np.zeros((8, 8))).map(np.c_[x, 0.5 * x + 3])

    def far(i: int, j: int) -> float:
        return float(np.hypot(*(points[i] - points[j])))

    assert (far(0, 2) / far(1, 2)) / (far(0, 3) / far(1, 3)) == pytest.approx(1.4, rel=1e-9)


def test_thermal_corners_on_a_photo() -> None:
    # Invented corners; OpenCV gives the same to the digits shown.
    thermal = np.array([[10, 12], [150, 8], [155, 110], [6, 114]], dtype=float)
    photo = np.array([[100, 80], [1820, 60], [1860, 1300], [60, 1320]], dtype=float)
    found = fit_plane_map(thermal, photo, **PLAIN)
    np.testing.assert_allclose(found.map(np.array([80.0, 60.0])), [957.7670, 683.0029], atol=1e-3)
    rows = [[12.3367651, 0.1007593, -24.3599480], [0.2121407, 12.4109164, -70.8789527]]
    np.testing.assert_allclose(found.matrix[:2], rows, rtol=1e-4, atol=1e-4)


def test_a_rolled_picture_has_moved_by_what_scikit_image_says() -> None:
    rng = np.random.default_rng(11)
    scene = cv2.GaussianBlur(rng.standard_normal((120, 160)).astype(np.float32), (0, 0), 2.5)
    moved = np.roll(scene, (-7, 11), axis=(0, 1))
    theirs = phase_cross_correlation(scene, moved, normalization=None)[0]
    np.testing.assert_allclose(theirs, [7, -11])  # (rows, columns) that bring the picture back
    found = measure_shift(scene, moved, noise=1e-4)
    assert found is not None
    np.testing.assert_allclose(found.xy_px, [-theirs[1], -theirs[0]], atol=0.02)
