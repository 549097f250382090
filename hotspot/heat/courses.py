"""Time courses at places: each seen through the filter that suits a part there.

A part's place and size are known from the part map, its heat is a small blob that may have spread;
around it drift is nearly a plane. The best estimate of the blob's height in every time bin, with a
free plane beside it, is one weighted sum of the pixels near by (generalised least squares with
white noise; Kay, Fundamentals of Statistical Signal Processing, vol. 1, ch. 4). The same filters
at places all over the picture tell what noise does to them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from hotspot.checks import FloatArray
from hotspot.heat.bands import remove_stripes
from hotspot.heat.bins import BinnedFrames

# How far heat has spread about a part, px, beyond body and optics: not at all, a little, much.
SPREADS_PX = (0.0, 1.6, 4.0)
# A filter reaches this many sigma and two pixels further: the plane needs ground to stand on.
REACH_SIGMAS = 2.5
REACH_PX = 2.0
# Places all over the picture that tell what noise does: enough for its 80 % point to 3 %.
MOST_CONTROLS = 500
# A place with fewer good pixels in reach than this share says nothing.
LEAST_GOOD = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Courses:
    """Time courses at places, one row of filters for each width.

    Attributes
    ----------
    at_places
        (widths, bins, places) float32, of equal noise in each width.
    at_controls
        (widths, bins, controls) the same all over the picture.
    """

    at_places: NDArray[np.float32]
    at_controls: NDArray[np.float32]


def build_courses(
    bins: BinnedFrames,
    *,
    bad: NDArray[np.bool_],
    places: FloatArray,
    place_cov_px2: FloatArray,
    emissivity: NDArray[np.float32] | None,
) -> Courses:
    """Return the time courses at places and at places all over the picture.

    Parameters
    ----------
    bins
        Drift-free bins.
    bad
        (rows, cols) pixels that say nothing.
    places
        (m, 2) centres x, y in px; those outside the picture give courses of zeros.
    place_cov_px2
        (m, 2, 2) extent of the heat at each: optics, body, error of the registration.
    emissivity
        (rows, cols) how much of the heat each pixel shows, or None.
    """
    rows, cols = bad.shape
    spacing = max(3.0, float(np.sqrt(rows * cols / MOST_CONTROLS)))
    x, y = np.meshgrid(np.arange(spacing / 2, cols, spacing), np.arange(spacing / 2, rows, spacing))
    controls = np.stack([x.ravel(), y.ravel()], axis=1)
    usual = np.median(place_cov_px2, axis=0) if len(places) else np.eye(2)
    shown = np.ones(bad.shape, np.float32) if emissivity is None else emissivity
    centres = np.concatenate([places.reshape(-1, 2), controls])
    extents = np.concatenate(
        [place_cov_px2.reshape(-1, 2, 2), np.broadcast_to(usual, (len(controls), 2, 2))]
    )
    stack = sparse.vstack(
        [
            _filter(centre, extent + spread**2 * np.eye(2), good=~bad, shown=shown)
            for spread in SPREADS_PX
            for centre, extent in zip(centres, extents, strict=True)
        ],
        format="csr",
        dtype=np.float32,
    )
    courses = np.empty((len(bins.values), stack.shape[0]), dtype=np.float32)
    for first in range(0, len(bins.values), 64):
        part = bins.values[first : first + 64].reshape(-1, rows, cols)
        clean = remove_stripes(np.where(bad, np.float32(0), part)).reshape(len(part), -1)
        courses[first : first + 64] = (stack @ clean.T).T
    courses -= courses.mean(axis=0)
    by_width = courses.reshape(len(courses), len(SPREADS_PX), -1).transpose(1, 0, 2)
    return Courses(
        at_places=np.ascontiguousarray(by_width[:, :, : len(places)]),
        at_controls=np.ascontiguousarray(by_width[:, :, len(places) :]),
    )


def _filter(
    centre: FloatArray,
    cov: FloatArray,
    *,
    good: NDArray[np.bool_],
    shown: NDArray[np.float32],
) -> sparse.csr_matrix:
    """One row (1, pixels): the height of a blob beside a free plane, in units of pixel noise."""
    rows, cols = good.shape
    reach = REACH_SIGMAS * float(np.sqrt(np.linalg.eigvalsh(cov)[-1])) + REACH_PX
    left, right = int(max(0, centre[0] - reach)), int(min(cols, centre[0] + reach + 2))
    top, bottom = int(max(0, centre[1] - reach)), int(min(rows, centre[1] + reach + 2))
    empty = sparse.csr_matrix((1, rows * cols), dtype=np.float32)
    if right - left < 3 or bottom - top < 3:
        return empty
    y, x = np.mgrid[top:bottom, left:right]
    dx, dy = x - centre[0], y - centre[1]
    inside = np.hypot(dx, dy) <= reach
    use = inside & good[top:bottom, left:right]
    if use.sum() < max(8, LEAST_GOOD * np.pi * reach**2 / 2):
        return empty
    offset = np.stack([dx[use], dy[use]])
    inverse = np.linalg.inv(cov)
    blob = np.exp(-0.5 * np.einsum("in,ij,jn->n", offset, inverse, offset))
    blob *= shown[top:bottom, left:right][use]
    plane = np.stack([np.ones(len(blob)), offset[0], offset[1]], axis=1)
    weight = blob - plane @ np.linalg.lstsq(plane, blob, rcond=None)[0]
    weight /= max(float(np.linalg.norm(weight)), 1e-12)
    index = (y[use] * cols + x[use]).astype(np.int64)
    return sparse.csr_matrix(
        (weight.astype(np.float32), (np.zeros(len(index), np.int64), index)),
        shape=(1, rows * cols),
    )
