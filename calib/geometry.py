"""Straightness of a lens and mm per pixel, from views of a plane grid.

A thermal camera looks at boards from above, so its focal length does not matter and can hardly be
measured from one view. The model is a plane seen in perspective (one homography a view) and one
radial distortion about the middle of the picture, shared by all views: x_d = x_u (1 + k r_u²),
with r in units of half the picture's diagonal. It is OpenCV's first radial term with the
principal point in the middle; `fit_pinhole_lens` gives OpenCV's own model from tilted views.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from scipy.optimize import least_squares

from calib.grid import Grid
from calib.radiometry import Uncertain
from hotspot.checks import FloatArray, freeze
from hotspot.errors import InputError

# A corner off by more than this is a wrong grid, not noise.
WORST_RMS_PX = 1.0
FEWEST_TILTED_VIEWS = 3
# Views that all look straight at the grid fix the ratio of focal length and distance only.
LEAST_TILT_DEG = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class RigGeometry:
    """A camera over a plane.

    Attributes
    ----------
    shape
        (rows, cols) of the picture.
    distortion
        k: relative displacement at half the diagonal; negative draws corners in.
    corner_shift_px
        By how much distortion moves a corner of the picture.
    mm_per_px
        At the middle of the picture, first view, mean of both directions.
    rms_px
        Of the corners about the fit, all views.
    mm_from_px
        (3, 3) homography of the first view from straightened pixels to mm of the grid.
    views
        Number of views.
    """

    shape: tuple[int, int]
    distortion: Uncertain
    corner_shift_px: float
    mm_per_px: Uncertain
    rms_px: float
    mm_from_px: FloatArray
    views: int

    def straighten(self, points_px: FloatArray) -> FloatArray:
        """Return (n, 2) points as a lens without distortion would show them."""
        middle, reach = _frame(self.shape)
        seen = (np.asarray(points_px, dtype=np.float64) - middle) / reach
        plain = seen.copy()
        for _ in range(30):  # contracts by about 3 k each time
            plain = seen / (1 + self.distortion.value * np.sum(plain**2, axis=1, keepdims=True))
        out: FloatArray = plain * reach + middle
        return out

    def to_mm(self, points_px: FloatArray) -> FloatArray:
        """Return (n, 2) points of the first view's plane in mm of the grid."""
        return _map(self.mm_from_px, self.straighten(points_px))


def fit_rig(views_px: tuple[FloatArray, ...], grid: Grid, *, shape: tuple[int, int]) -> RigGeometry:
    """Fit distortion and scale to one or more views of a grid.

    Parameters
    ----------
    views_px
        Each (n, 2), from `find_grid`.
    grid
        The pattern.
    shape
        (rows, cols) of the picture.

    Raises
    ------
    InputError
        The points do not fit a grid.
    """
    target = grid.points_mm
    middle, reach = _frame(shape)
    starts = []
    for view in views_px:
        if view.shape != target.shape:
            raise ValueError(f"views_px must have shape {target.shape} each, got {view.shape}")
        px_from_mm, _ = cv2.findHomography(target, np.asarray(view, dtype=np.float64), 0)
        if px_from_mm is None:
            raise InputError("the points lie on a line", cure="Show a grid with three rows or more")
        starts.append((px_from_mm / px_from_mm[2, 2]).ravel()[:8])

    measured = np.concatenate(views_px)
    start = np.concatenate([[0.0], *starts])
    scale = np.maximum(np.abs(start), 1e-4)
    scale[0] = 0.05

    def residual(p: FloatArray) -> FloatArray:
        seen = [_bend(_map(h, target), p[0], middle, reach) for h in _homographies(p)]
        out: FloatArray = (np.concatenate(seen) - measured).ravel()
        return out

    def jacobian_of(p: FloatArray) -> FloatArray:
        return _jacobian(p, target, middle, reach)

    fit = least_squares(residual, start, jac=jacobian_of, x_scale=scale)
    dof = max(1, 2 * len(measured) - len(start))
    variance = 2 * float(fit.cost) / dof
    rms = float(np.sqrt(variance))
    if rms > WORST_RMS_PX:
        raise InputError(
            f"the points are {rms:.1f} px off a plane grid",
            cure="Check the count of corners, and that the target is flat",
        )
    jacobian = np.asarray(fit.jac)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * variance
    distortion = Uncertain(float(fit.x[0]), float(np.sqrt(covariance[0, 0])))

    def scale_of(p: FloatArray) -> float:
        return _mm_per_px(np.append(p[1:9], 1.0).reshape(3, 3), middle)

    gradient = np.array(
        [
            (scale_of(fit.x + h) - scale_of(fit.x - h)) / (2 * np.abs(h).sum())
            for h in np.diag(1e-4 * scale)
        ]
    )
    mm_sigma = float(np.sqrt(max(gradient @ covariance @ gradient, 0.0)))
    px_from_mm = np.append(fit.x[1:9], 1.0).reshape(3, 3)
    return RigGeometry(
        shape=shape,
        distortion=distortion,
        corner_shift_px=abs(distortion.value) * reach,
        mm_per_px=Uncertain(scale_of(fit.x), mm_sigma),
        rms_px=rms,
        mm_from_px=freeze(np.linalg.inv(px_from_mm)),
        views=len(views_px),
    )


@dataclass(frozen=True, slots=True, eq=False)
class PinholeLens:
    """OpenCV's model of a camera.

    Attributes
    ----------
    matrix
        (3, 3) focal lengths and principal point, px.
    k1, k2
        Radial terms.
    focal_px
        Mean focal length.
    rms_px
        Of the corners about the fit.
    """

    matrix: FloatArray
    k1: Uncertain
    k2: Uncertain
    focal_px: Uncertain
    rms_px: float


def fit_pinhole_lens(
    views_px: tuple[FloatArray, ...], grid: Grid, *, shape: tuple[int, int]
) -> PinholeLens:
    """Fit OpenCV's camera model to three or more tilted views.

    Raises
    ------
    InputError
        Too few views, or views that do not fix the focal length.

    Notes
    -----
    ``cv2.calibrateCameraExtended`` without tangential terms and third radial term.
    """
    if len(views_px) < FEWEST_TILTED_VIEWS:
        raise InputError(
            f"{len(views_px)} views are too few for a focal length",
            cure=f"Record {FEWEST_TILTED_VIEWS} or more, the grid tilted differently in each",
        )
    target = np.column_stack([grid.points_mm, np.zeros(len(grid.points_mm))]).astype(np.float32)
    size = (shape[1], shape[0])
    flags = cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3 | cv2.CALIB_FIX_ASPECT_RATIO
    start = np.array(
        [[shape[1], 0, (shape[1] - 1) / 2], [0, shape[1], (shape[0] - 1) / 2], [0, 0, 1]], float
    )
    try:
        rms, matrix, distortion, turns, _, deviations, _, _ = cv2.calibrateCameraExtended(
            [target] * len(views_px),
            [np.asarray(v, dtype=np.float32).reshape(-1, 1, 2) for v in views_px],
            size, start, np.zeros(5),
            flags=flags | cv2.CALIB_USE_INTRINSIC_GUESS,
        )  # fmt: skip
    except cv2.error as err:
        raise InputError(
            "the views do not fix a camera model", cure="Tilt the grid more, each time differently"
        ) from err
    k = distortion.ravel()
    sigma = deviations.ravel()
    focal = Uncertain(float(0.5 * (matrix[0, 0] + matrix[1, 1])), float(sigma[1]))  # fx follows fy
    if (
        _spread_deg(turns) < LEAST_TILT_DEG
        or not np.isfinite(rms)
        or not 0 < focal.sigma < 0.5 * focal.value
        or rms > WORST_RMS_PX
    ):
        raise InputError(
            "the views do not fix the focal length", cure="Tilt the grid by 20 to 40 degrees"
        )
    return PinholeLens(
        matrix=freeze(np.asarray(matrix, dtype=np.float64)),
        k1=Uncertain(float(k[0]), float(sigma[4])),
        k2=Uncertain(float(k[1]), float(sigma[5])),
        focal_px=focal,
        rms_px=float(rms),
    )


def _spread_deg(turns: Any) -> float:
    """Return the largest angle between the views' normals."""
    normals = np.array([cv2.Rodrigues(np.asarray(t, dtype=np.float64))[0][:, 2] for t in turns])
    return float(np.degrees(np.arccos(np.clip(normals @ normals.T, -1, 1).min())))


def _frame(shape: tuple[int, int]) -> tuple[FloatArray, float]:
    """Return the middle of the picture (x, y) and half its diagonal, px."""
    rows, cols = shape
    return np.array([(cols - 1) / 2, (rows - 1) / 2]), float(np.hypot(cols, rows) / 2)


def _homographies(p: FloatArray) -> list[FloatArray]:
    """Return the matrices from grid to straightened pixels that follow the distortion in `p`."""
    return [np.append(block, 1.0).reshape(3, 3) for block in p[1:].reshape(-1, 8)]


def _bend(plain_px: FloatArray, k: float, middle: FloatArray, reach: float) -> FloatArray:
    plain = (plain_px - middle) / reach
    out: FloatArray = plain * (1 + k * np.sum(plain**2, axis=1, keepdims=True)) * reach + middle
    return out


def _jacobian(p: FloatArray, target: FloatArray, middle: FloatArray, reach: float) -> FloatArray:
    """Return the derivatives of the bent points, rows x and y by turns, by all parameters."""
    matrices, n = _homographies(p), len(target)
    out = np.zeros((2 * n * len(matrices), len(p)))
    x, y = target.T
    one, nil = np.ones(n), np.zeros(n)
    for v, matrix in enumerate(matrices):
        seen = _map(matrix, target)
        w = x * matrix[2, 0] + y * matrix[2, 1] + 1.0
        u_row = np.stack([x, y, one, nil, nil, nil, -seen[:, 0] * x, -seen[:, 0] * y]) / w
        v_row = np.stack([nil, nil, nil, x, y, one, -seen[:, 1] * x, -seen[:, 1] * y]) / w
        inner = np.stack([u_row.T, v_row.T], axis=1)  # (n, 2, 8)
        plain = (seen - middle) / reach
        square = np.sum(plain**2, axis=1)
        outer = 2 * p[0] * plain[:, :, None] * plain[:, None, :]
        outer[:, 0, 0] += 1 + p[0] * square
        outer[:, 1, 1] += 1 + p[0] * square
        rows = slice(2 * n * v, 2 * n * (v + 1))
        out[rows, 1 + 8 * v : 9 + 8 * v] = (outer @ inner).reshape(2 * n, 8)
        out[rows, 0] = (plain * square[:, None] * reach).ravel()
    return out


def _map(matrix: FloatArray, points: FloatArray) -> FloatArray:
    lifted = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    out: FloatArray = lifted[:, :2] / lifted[:, 2:]
    return out


def _mm_per_px(px_from_mm: FloatArray, middle: FloatArray) -> float:
    mm = _map(np.linalg.inv(px_from_mm), middle[None, :] + np.array([[0, 0], [1, 0], [0, 1]]))
    area = (mm[1] - mm[0])[0] * (mm[2] - mm[0])[1] - (mm[1] - mm[0])[1] * (mm[2] - mm[0])[0]
    return float(np.sqrt(abs(area)))
