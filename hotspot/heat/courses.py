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
    sizes = np.repeat([len(pixel) for pixel, _ in made], len(SPREADS_PX))
    stack = sparse.csr_matrix(
        (
            np.concatenate([blobs.ravel() for _, blobs in made]).astype(np.float32),
            np.concatenate([np.tile(pixel, len(SPREADS_PX)) for pixel, _ in made]),
            np.concatenate([[0], np.cumsum(sizes)]),
        ),
        shape=(len(sizes), rows * cols),
    )
    grams = [blobs @ blobs.T for _, blobs in made]
    courses = np.empty((len(bins.values), stack.shape[0]), dtype=np.float32)
    for first in range(0, len(bins.values), 64):
        part = bins.values[first : first + 64].reshape(-1, rows, cols)
        clean = remove_stripes(np.where(bad, np.float32(0), part)).reshape(len(part), -1)
        courses[first : first + 64] = (stack @ clean.T).T
    courses -= courses.mean(axis=0)
    values = courses.reshape(len(courses), len(places), len(SPREADS_PX)).transpose(2, 0, 1)
    unseen = np.eye(len(SPREADS_PX))
    return Courses(
        values=np.ascontiguousarray(values),
        gram=np.stack([g if g.any() else unseen for g in grams]),
    )


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
) -> tuple[NDArray[np.int64], FloatArray]:
    """Pixels (n,) about a place, and blobs of all widths on them (widths, n) less their planes."""
    rows, cols = good.shape
    nothing = np.zeros(0, np.int64), np.zeros((len(SPREADS_PX), 0))
    left, right = int(max(0, centre[0] - REACH_PX)), int(min(cols, centre[0] + REACH_PX + 2))
    top, bottom = int(max(0, centre[1] - REACH_PX)), int(min(rows, centre[1] + REACH_PX + 2))
    if right - left < 3 or bottom - top < 3:
        return nothing
    window = np.s_[top:bottom, left:right]
    dx, dy = np.arange(left, right) - centre[0], np.arange(top, bottom)[:, None] - centre[1]
    use = (dx**2 + dy**2 <= REACH_PX**2) & good[window]
    if use.sum() < LEAST_GOOD * np.pi * REACH_PX**2:
        return nothing
    y, x = np.nonzero(use)
    dx, dy = dx[x], dy[y, 0]
    light = shown[window][use]
    blobs = np.empty((len(SPREADS_PX), len(dx)))
    for i, spread in enumerate(SPREADS_PX):
        wide = cov + spread**2 * np.eye(2)
        ((a, b), (_, c)) = np.linalg.inv(wide)
        distance = a * dx**2 + 2 * b * dx * dy + c * dy**2
        blobs[i] = light * np.exp(-0.5 * distance) / np.sqrt(np.linalg.det(wide))
    plane = np.stack([np.ones(len(dx)), dx, dy])
    blobs -= np.linalg.solve(plane @ plane.T, plane @ blobs.T).T @ plane
    blobs /= max(float(np.linalg.norm(blobs[0])), 1e-12)
    return (y + top) * cols + x + left, blobs
