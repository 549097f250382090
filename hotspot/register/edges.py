"""What a thermal picture and a photo of one board have in common: where edges run, and which way.

Brightness does not carry over (a dark part may be warm or cold), the side an edge is bright on
does not either; its direction does. An edge field is therefore kept as a double angle: strength
times (cos 2a, sin 2a), the same for both signs of contrast.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.board import Board
from hotspot.checks import FloatArray

Field = NDArray[Any]  # (rows, cols, 2)

# Strength is measured against its surroundings of this many pixels: one can must not drown the
# chip parts, one bright side of the picture not the other.
_LOCAL_SIGMA_PX = 12.0
_STRONGEST = 3.0  # times the surroundings: more is cut off


def find_edges(
    picture: NDArray[Any], *, blur_px: float, mask: NDArray[np.bool_] | None = None
) -> Field:
    """Return the (rows, cols, 2) float32 edge field of a (rows, cols) picture.

    Parameters
    ----------
    picture
        Grey values or temperatures, finite.
    blur_px
        Standard deviation of the smoothing before the derivative.
    mask
        True where the picture holds data; its rim leaves no edges.
    """
    smooth = cv2.GaussianBlur(np.asarray(picture, dtype=np.float32), (0, 0), blur_px)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    strength = cv2.magnitude(gx, gy)
    if mask is not None:
        reach = 2 * int(np.ceil(2 * blur_px)) + 3
        # The border of the array counts as the rim of the data only where the mask says so.
        inner = cv2.erode(mask.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0
        strength = np.where(inner, strength, 0).astype(np.float32)
    around = cv2.GaussianBlur(strength, (0, 0), _LOCAL_SIGMA_PX)
    # Half the typical strength as a floor: flat places must not be blown up to edges.
    floor = 0.5 * float(strength.mean()) + 1e-12
    relative = np.minimum(strength / (around + floor), _STRONGEST)
    # Square root: weak edges of many parts together say more than one strong outline.
    amplitude = np.sqrt(relative) * np.minimum(relative, 1.0)
    safe = np.maximum(strength, 1e-12)
    cos, sin = gx / safe, gy / safe
    out = np.dstack([amplitude * (cos * cos - sin * sin), amplitude * 2 * cos * sin])
    return np.ascontiguousarray(out, dtype=np.float32)


def to_thermal_picture(cold: FloatArray) -> NDArray[Any]:
    """Return a baseline fit for edge finding: gaps filled, column and row stripes taken off.

    Stripes are what a column (or row) has more than its neighbours all along: the median over the
    column of the picture less its own horizontal smoothing.
    """
    picture = np.array(cold, dtype=np.float32)
    bad = ~np.isfinite(picture)
    if bad.any():
        picture[bad] = float(np.median(picture[~bad])) if not bad.all() else 0.0
    # Single pixels far from their neighbours are the sensor's: no edge is one pixel wide.
    median = cv2.medianBlur(picture, 3)
    off = np.abs(picture - median)
    picture = np.where(off > 6.0 * np.median(off) + 1e-9, median, picture)
    for axis, kernel in ((0, (0.0, 3.0)), (1, (3.0, 0.0))):
        sx, sy = kernel[1], kernel[0]
        smooth = cv2.GaussianBlur(picture, (0, 0), sigmaX=max(sx, 0.01), sigmaY=max(sy, 0.01))
        stripe = np.median(picture - smooth, axis=axis, keepdims=True)
        picture = picture - stripe
    low, high = np.percentile(picture, (0.5, 99.5))
    return np.clip(picture, low, high).astype(np.float32)


def to_grey(photo: NDArray[Any], *, longest_px: int = 1400) -> tuple[NDArray[Any], float]:
    """Return a photo as (rows, cols) float32 and the factor its size was reduced by (≤ 1)."""
    array = np.asarray(photo)
    if array.ndim == 3:
        array = cv2.cvtColor(np.ascontiguousarray(array[:, :, :3]), cv2.COLOR_RGB2GRAY)
    factor = min(1.0, longest_px / max(array.shape))
    if factor < 1.0:
        array = cv2.resize(array, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    # The logarithm makes shading and glare additive, as edges expect.
    return np.log1p(array.astype(np.float32)), factor


def draw_part_map(board: Board, *, mm_per_px: float) -> tuple[NDArray[Any], FloatArray]:
    """Return the picture that a board should give a thermal camera, and its map.

    Parts are drawn darker or brighter than the board by kind (bare metal reflects the room: low
    emissivity), at a resolution of `mm_per_px`.

    Returns
    -------
    tuple
        (rows, cols) float32 picture; (3, 3) matrix map px → board mm (the picture's y runs down,
        the board's up).
    """
    corners = np.concatenate([p.corners_mm() for p in board.parts])
    low, high = corners.min(axis=0), corners.max(axis=0)
    margin = 2.0
    size = np.ceil((high - low + 2 * margin) / mm_per_px).astype(int) + 1
    picture = np.zeros((size[1], size[0]), dtype=np.float32)
    mm_from_map = np.array(
        [
            [mm_per_px, 0.0, low[0] - margin],
            [0.0, -mm_per_px, high[1] + margin],
            [0.0, 0.0, 1.0],
        ]
    )
    back = np.linalg.inv(mm_from_map)
    bright = {"shield": -1.0, "connector": -0.8, "capacitor": -0.5, "resistor": -0.5}
    for part in board.parts:
        if part.side != "top" or min(part.width_mm, part.height_mm) <= 0:
            continue
        outline = np.c_[part.corners_mm(), np.ones(4)] @ back.T
        points = np.round(outline[:, :2] * 16).astype(np.int32)
        value = bright.get(str(part.kind), 0.6)
        cv2.fillConvexPoly(picture, points[:, None], value, lineType=cv2.LINE_8, shift=4)
    return picture, mm_from_map
