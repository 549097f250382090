"""Bodies drawn as a thermal camera sees them, with their change from place to place.

A rectangle seen in perspective is nearly a parallelogram over its own size; blurred by a Gaussian
along its two axes it is a product of two differences of error functions. Bodies whose pictures are
about as large are drawn together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from hotspot.checks import FloatArray

# A pixel averages over itself: the variance of an even spread over one, px².
PIXEL_VARIANCE_PX2 = 1.0 / 12.0
# A body is drawn to this many sigma of its blur, beyond which it is below a thousandth.
DRAWN_SIGMAS = 3.2
# Terminations and leads take about this share of a body's length at each end (chips of the usual
# sizes; common practice, no source).
TERMINATION = 0.25
# A body has three shapes: itself, its two ends along one axis, and those along the other.
SHAPES = 3
# Sides of pictures drawn together are rounded up to powers of this.
_STEP = 1.35


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """Bodies drawn together, n of them on p pixels each.

    Attributes
    ----------
    index
        (n,) which of the outlines.
    at
        (n, p) index of the pixel in the flat picture, -1 outside.
    shapes
        (n, SHAPES, p).
    slopes
        (n, SHAPES, 2, p) their derivatives by x and y.
    """

    index: NDArray[np.intp]
    at: NDArray[np.intp]
    shapes: FloatArray
    slopes: FloatArray


def draw_bodies(
    outlines_px: FloatArray, *, shape: tuple[int, int], sigma_px: float, solder_px: float
) -> tuple[Drawn, ...]:
    """Return bodies drawn; those that lie wholly outside the picture are left out.

    Parameters
    ----------
    outlines_px
        (n, 4, 2) corners, in order around.
    shape
        (rows, cols) of the picture.
    sigma_px
        Blur of the optics.
    solder_px
        How far solder reaches beyond an end.
    """
    rows, cols = shape
    sigma = float(np.sqrt(sigma_px**2 + PIXEL_VARIANCE_PX2))
    margin = DRAWN_SIGMAS * sigma + solder_px
    low, high = outlines_px.min(axis=1) - margin, outlines_px.max(axis=1) + margin
    edges = np.roll(outlines_px, -1, axis=1) - outlines_px
    area = np.abs(edges[:, 0, 0] * edges[:, 1, 1] - edges[:, 0, 1] * edges[:, 1, 0])
    seen = np.flatnonzero(
        np.all(np.isfinite(outlines_px), axis=(1, 2))
        & np.all((high > 0) & (low < [cols - 1, rows - 1]), axis=1)
        & (area > 1e-3)
    )
    if not len(seen):
        return ()
    sides = np.ceil(high[seen] - low[seen]) + 1
    # One row of pictures after the other: few sizes, little drawn in vain.
    step = np.ceil(np.log(sides) / np.log(_STEP)).astype(int)
    out = []
    for size in np.unique(step, axis=0):
        index = seen[np.all(step == size, axis=1)]
        wide, tall = np.ceil(_STEP ** size.astype(float)).astype(int)
        first = np.floor(low[index]).astype(int)
        x = first[:, 0, None] + np.tile(np.arange(wide), tall)
        y = first[:, 1, None] + np.repeat(np.arange(tall), wide)
        inside = (x >= 0) & (x < cols) & (y >= 0) & (y < rows)
        shapes, slopes = _shapes(outlines_px[index], x=x, y=y, sigma=sigma, solder_px=solder_px)
        at = np.where(inside, y * cols + x, -1)
        out.append(Drawn(index=index, at=at, shapes=shapes, slopes=slopes))
    return tuple(out)


def _shapes(
    corners: FloatArray,
    *,
    x: NDArray[np.intp],
    y: NDArray[np.intp],
    sigma: float,
    solder_px: float,
) -> tuple[FloatArray, FloatArray]:
    """Return shapes (n, SHAPES, p) and slopes (n, SHAPES, 2, p) of n bodies at pixels (n, p)."""
    along = (corners[:, 1] + corners[:, 2] - corners[:, 0] - corners[:, 3]) / 4
    across = (corners[:, 2] + corners[:, 3] - corners[:, 0] - corners[:, 1]) / 4
    half = np.stack([np.hypot(*along.T), np.hypot(*across.T)], axis=1)
    axes = np.stack([along, across], axis=2) / half[:, None]
    to_local = np.linalg.inv(axes)  # (n, 2, 2): rows give the coordinate along each axis
    centre = corners.mean(axis=1)
    apart = np.stack([x - centre[:, 0, None], y - centre[:, 1, None]], axis=1)
    local = to_local @ apart
    blur = sigma * np.hypot(to_local[:, :, 0], to_local[:, :, 1])
    (a, a_ends), (b, b_ends) = (
        _stretch(local[:, k], half=half[:, k], solder_px=solder_px, sigma=blur[:, k])
        for k in (0, 1)
    )
    shapes = np.stack([a[0] * b[0], a_ends[0] * b[0], a[0] * b_ends[0]], axis=1)
    by_u = np.stack([a[1] * b[0], a_ends[1] * b[0], a[1] * b_ends[0]], axis=1)
    by_v = np.stack([a[0] * b[1], a_ends[0] * b[1], a[0] * b_ends[1]], axis=1)
    t = to_local[:, None, :, :, None]
    slopes = by_u[:, :, None] * t[:, :, 0] + by_v[:, :, None] * t[:, :, 1]
    return shapes, slopes


def _stretch(
    u: FloatArray, *, half: FloatArray, solder_px: float, sigma: FloatArray
) -> tuple[tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]:
    """Return a stretch from -half to half, and its two ends, (n, p) each with its derivative."""
    inner, outer = half * (1 - 2 * TERMINATION), half + solder_px
    at = np.stack([-half, half, -outer, -inner, inner, outer], axis=0)[:, :, None]
    s = sigma[:, None] * np.sqrt(2.0)
    v = ((u - at) / s).astype(np.float32)
    value = 0.5 * erf(v)
    slope = np.exp(-v * v) / (s * np.sqrt(np.pi))
    whole = (value[0] - value[1], slope[0] - slope[1])
    ends = tuple(q[2] - q[3] + q[4] - q[5] for q in (value, slope))
    return whole, (ends[0], ends[1])
