"""Time courses at places: each seen through the filters that suit a part there.

A part's place and size are known from the part map; its heat is a small blob that widens as it
spreads; around it drift is nearly a plane. What the pixels near by say of blobs of several widths,
a free plane beside them, is all that an estimator with white noise asks of them (generalised least
squares; Kay, Fundamentals of Statistical Signal Processing, vol. 1, ch. 4). The same filters at
places all over the picture tell what noise does to them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from hotspot.checks import FloatArray
from hotspot.heat.bands import remove_stripes
from hotspot.heat.bins import BinnedFrames

# How far heat has spread about a part, px, beyond body and optics: a ladder on which any spread
# in between is a mixture of its neighbours.
SPREADS_PX = (0.0, 1.0, 1.8, 3.0, 5.0)
# Filters reach this far: two and a half times the widest spread.
REACH_PX = 12.0
# Places all over the picture that tell what noise does: enough for its 80 % point to 4 %.
MOST_CONTROLS = 300
# A place with fewer good pixels in reach than this share says nothing.
LEAST_GOOD = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Courses:
    """What pixels near each place say of blobs of each width over time.

    Attributes
    ----------
    values
        (widths, bins, m) float32 inner product of blob and picture, planes taken out, about its
        mean over time.
    gram
        (m, widths, widths) inner products of the blobs themselves.
    """

    values: NDArray[np.float32]
    gram: FloatArray

    def normalised(self, width: int) -> NDArray[np.float32]:
        """Return the courses (bins, m) of one width in units of one pixel's noise."""
        norm = np.sqrt(np.maximum(self.gram[:, width, width], 1e-12))
        out: NDArray[np.float32] = (self.values[width] / norm).astype(np.float32)
        return out

    def scaled(self, factor: FloatArray) -> Courses:
        """Return the courses of each place multiplied by its factor (m,)."""
        return Courses(values=(self.values * factor).astype(np.float32), gram=self.gram)

    def at(self, index: slice) -> Courses:
        """Return the courses of some of the places."""
        return Courses(values=self.values[:, :, index], gram=self.gram[index])


def build_courses(
    bins: BinnedFrames,
    *,
    bad: NDArray[np.bool_],
    places: FloatArray,
    place_cov_px2: FloatArray,
    emissivity: NDArray[np.float32] | None,
) -> Courses:
    """Return the time courses at places.

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
    shown = np.ones(bad.shape, np.float32) if emissivity is None else emissivity
    made = [
        _filters(centre, extent, good=~bad, shown=shown)
        for centre, extent in zip(places, place_cov_px2, strict=True)
    ]
    stack = sparse.csr_matrix(sparse.vstack([f for f, _ in made], format="csr"))
    courses = np.empty((len(bins.values), stack.shape[0]), dtype=np.float32)
    for first in range(0, len(bins.values), 64):
        part = bins.values[first : first + 64].reshape(-1, rows, cols)
        clean = remove_stripes(np.where(bad, np.float32(0), part)).reshape(len(part), -1)
        courses[first : first + 64] = (stack @ clean.T).T
    courses -= courses.mean(axis=0)
    values = courses.reshape(len(courses), len(places), len(SPREADS_PX)).transpose(2, 0, 1)
    return Courses(values=np.ascontiguousarray(values), gram=np.stack([g for _, g in made]))


def control_places(shape: tuple[int, int]) -> FloatArray:
    """Return places (n, 2) spread evenly over a picture of (rows, cols)."""
    rows, cols = shape
    spacing = max(3.0, float(np.sqrt(rows * cols / MOST_CONTROLS)))
    x, y = np.meshgrid(np.arange(spacing / 2, cols, spacing), np.arange(spacing / 2, rows, spacing))
    return np.stack([x.ravel(), y.ravel()], axis=1)


def _filters(
    centre: FloatArray,
    cov: FloatArray,
    *,
    good: NDArray[np.bool_],
    shown: NDArray[np.float32],
) -> tuple[sparse.csr_matrix, FloatArray]:
    """Blobs of all widths about a place (widths, pixels), planes taken out, and their products."""
    rows, cols = good.shape
    widths = len(SPREADS_PX)
    nothing = _rows(np.zeros((widths, 1)), pixel=np.zeros(1, np.int64), size=rows * cols)
    left, right = int(max(0, centre[0] - REACH_PX)), int(min(cols, centre[0] + REACH_PX + 2))
    top, bottom = int(max(0, centre[1] - REACH_PX)), int(min(rows, centre[1] + REACH_PX + 2))
    if right - left < 3 or bottom - top < 3:
        return nothing
    y, x = np.mgrid[top:bottom, left:right]
    near = np.hypot(x - centre[0], y - centre[1]) <= REACH_PX
    use = near & good[top:bottom, left:right]
    if use.sum() < LEAST_GOOD * np.pi * REACH_PX**2:
        return nothing
    offset = np.stack([x[use] - centre[0], y[use] - centre[1]])
    light = shown[top:bottom, left:right][use]
    blobs = np.empty((widths, offset.shape[1]))
    for i, spread in enumerate(SPREADS_PX):
        wide = cov + spread**2 * np.eye(2)
        distance = np.einsum("in,ij,jn->n", offset, np.linalg.inv(wide), offset)
        blobs[i] = light * np.exp(-0.5 * distance) / np.sqrt(np.linalg.det(wide))
    plane = np.stack([np.ones(offset.shape[1]), offset[0], offset[1]], axis=1)
    blobs -= (plane @ np.linalg.lstsq(plane, blobs.T, rcond=None)[0]).T
    blobs /= max(float(np.linalg.norm(blobs[0])), 1e-12)
    pixel = (y[use] * cols + x[use]).astype(np.int64)
    return _rows(blobs, pixel=pixel, size=rows * cols)


def _rows(
    blobs: FloatArray, *, pixel: NDArray[np.int64], size: int
) -> tuple[sparse.csr_matrix, FloatArray]:
    """Blobs (widths, n) at some pixels as rows over all pixels, and their inner products."""
    widths = len(blobs)
    row = np.repeat(np.arange(widths), len(pixel))
    entries = (blobs.ravel().astype(np.float32), (row, np.tile(pixel, widths)))
    gram = blobs @ blobs.T
    matrix = sparse.coo_matrix(entries, shape=(widths, size)).tocsr()
    return matrix, gram if gram.any() else np.eye(widths)
