"""The board's outline in the picture, and how much of each pixel shows the board.

What a room does to the board it does not do to the bench beside it. Where a registration tells
where the board ends, the two are told apart; as the registration is good to a pixel or so and a
wrong edge would drift, the outline is fitted to the edge that the cold picture shows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray

# Outlines are drawn this much finer than the picture, and blurred as optics do, px.
FINER, OPTICS_SIGMA_PX = 4, 0.9
# The edge is looked at within this distance, and moved by no more, px: three times what a poor
# registration is off by.
BAND_PX, FARTHEST_PX = 6.0, 4.0
ROUNDS = 5
# The step of the cold picture at the edge must stand out from what else there is by this factor:
# parts and pads near the edge have steps of their own.
LEAST_STEP = 3.0
# An edge of fewer pixels than this tells no eight parameters.
LEAST_EDGE_PX = 40
# What clutter beside the edge has more of an effect than white noise of its strength: it reaches
# over two to three pixels each way.
CLUTTER = 2.5
# A cut edge is bevelled, the mask ends before it, and the drawing is good to a tenth of a
# millimetre (common practice, no source): a third of a pixel at usual scales.
LEAST_ERROR_PX = 0.3


def share_inside(outline_px: FloatArray, *, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return how much of each pixel (rows, cols) lies within a convex outline (n, 2), blurred.

    By half planes: a polygon filler draws the edge's own pixels as well, an outline that is wider
    by half a drawn pixel all round, and a fit to it then comes out as much too small.
    """
    ahead = np.roll(outline_px, -1, axis=0)
    # Corners may go round either way.
    way = np.sign(np.sum(outline_px[:, 0] * ahead[:, 1] - outline_px[:, 1] * ahead[:, 0]))
    lines = list(zip(outline_px, way * (ahead - outline_px), strict=True))

    def depths(x: NDArray[Any], y: NDArray[Any]) -> Iterator[tuple[FloatArray, float]]:
        """How far points lie within each edge, and the unit of that, a pixel."""
        for (ax, ay), (dx, dy) in lines:
            yield dx * (y - ay) - dy * (x - ax), float(np.hypot(dx, dy))

    share = np.ones(shape, dtype=np.float32)
    crossed, outside = np.zeros(shape, dtype=np.bool_), np.zeros(shape, dtype=np.bool_)
    for depth, pixel in depths(np.arange(shape[1])[None], np.arange(shape[0])[:, None]):
        share[depth <= 0] = 0.0
        crossed |= np.abs(depth) < pixel
        outside |= depth < -pixel
    # Only pixels that an edge may cross are worth a finer look.
    row, col = np.nonzero(crossed & ~outside)
    fine = (np.arange(FINER) + 0.5) / FINER - 0.5
    inside = np.ones((len(row), FINER, FINER), dtype=np.bool_)
    for depth, _ in depths(col[:, None, None] + fine, row[:, None, None] + fine[:, None]):
        inside &= depth > 0
    share[row, col] = inside.mean(axis=(1, 2))
    return np.asarray(cv2.GaussianBlur(share, (0, 0), OPTICS_SIGMA_PX), dtype=np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """The board's edge as the cold picture shows it.

    Attributes
    ----------
    corners_px
        (n, 2).
    cov_px2
        (2 n, 2 n) their covariance, x and y of one corner after the other.
    """

    corners_px: FloatArray
    cov_px2: FloatArray


def measure_outline(
    outline_px: FloatArray, *, cold: NDArray[np.float32], bad: NDArray[np.bool_]
) -> Outline | None:
    """Return the board's edge near a known outline, or None where none is clear.

    Gauss-Newton steps on the eight parameters of a plane map (Lucas & Kanade 1981).

    Parameters
    ----------
    outline_px
        Corners (n, 2) as the registration has them.
    cold
        (rows, cols) cold picture.
    bad
        (rows, cols) pixels that say nothing.
    """
    rows, cols = cold.shape
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j]
    picture = np.where(bad | ~np.isfinite(cold), np.nanmedian(cold), cold)
    picture = cv2.medianBlur(picture.astype(np.float32), 3).astype(np.float64)
    scale = np.array([(cols - 1) / 2, (rows - 1) / 2])
    good = ~bad
    fitted: FloatArray = outline_px
    moves: FloatArray = np.zeros((2 * len(outline_px), 8))
    cov: FloatArray = np.zeros((8, 8))
    for _ in range(ROUNDS):
        share: FloatArray = share_inside(fitted, shape=(rows, cols)).astype(np.float64)
        edge = (share > 0.02) & (share < 0.98)
        if edge.sum() < LEAST_EDGE_PX:
            return None
        near = cv2.distanceTransform((~edge).astype(np.uint8), cv2.DIST_L2, 3) < BAND_PX
        along_y, along_x = np.gradient(share)
        used = near & good
        u, v, gx, gy = (np.asarray(c)[used] for c in (x, y, along_x, along_y))
        columns = [np.ones_like(u), u, v, share[used]]
        columns += [g * f for g in (gx, gy) for f in (np.ones_like(u), u, v)]
        # Perspective: what the plane's tilt moves a point by, to the first order.
        columns += [(gx * scale[0] * u + gy * scale[1] * v) * f for f in (u, v)]
        design = np.stack(columns, axis=1)
        seen = picture[used]
        amounts, *_ = np.linalg.lstsq(design, seen, rcond=1e-9)
        left = float(np.std(seen - design @ amounts))
        step = float(amounts[3])
        if abs(step) * np.sqrt(edge.sum()) < LEAST_STEP * left * np.sqrt(len(columns)):
            return None
        moves = -_moved_by(fitted / scale - 1, scale=scale) / step
        fitted = fitted + np.clip((moves @ amounts[4:]).reshape(-1, 2), -1.5, 1.5)
        if np.hypot(*(fitted - outline_px).T).max() > FARTHEST_PX:
            return None
        # Parts and pads beside the edge are no white noise: they reach over several pixels.
        cov = (left * CLUTTER) ** 2 * np.linalg.pinv(design.T @ design, hermitian=True)[4:, 4:]
    return Outline(fitted, moves @ cov @ moves.T + LEAST_ERROR_PX**2 * np.eye(len(moves)))


def _moved_by(at: FloatArray, *, scale: FloatArray) -> FloatArray:
    """Move (2 n, 8) of each point (n, 2), in units of half the picture, by each parameter."""
    ones, zeros = np.ones(len(at)), np.zeros(len(at))
    x, y = at.T
    along_x = np.stack([ones, x, y, zeros, zeros, zeros, x * x * scale[0], x * y * scale[0]], 1)
    along_y = np.stack([zeros, zeros, zeros, ones, x, y, x * y * scale[1], y * y * scale[1]], 1)
    return np.stack([along_x, along_y], axis=1).reshape(-1, 8)
