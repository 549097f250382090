"""Sharp heat at a part beside a much stronger path.

A coil on the way to the short may be ten times as warm, and warm the whole board about it. What its
description leaves over is then larger than the short, but it is smooth: copper and laminate spread
it. So at each part that may be shorted the picture close by is told in everything smooth (the
path's own shapes, a curved surface, wide blobs), and what is asked is how much one narrow spot at
the part explains beside all that (generalised likelihood ratio; Kay, Fundamentals of Statistical
Signal Processing, vol. 2, ch. 6).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.locate.field import Field
from hotspot.locate.parts import Place
from hotspot.locate.separate import LEFTOVER, Describer

# The picture about a part is looked at so far out, px: a spot and as much again beside it.
REACH_PX = 14.0
# Heat of a part and what lies right about it is so narrow at most, what is smooth so wide at least,
# px.
NARROW_PX, SMOOTH_PX = 3.0, 5.0
# A narrow spot of which smooth shapes leave less than this share is none.
LEAST_SHARE = 0.02
# In 34 recordings of paths hotter than the short, by three generators, the best of the parts that
# were neither the short nor beside it reached 9.6; the shorts had 6 to 116, those that were not
# found otherwise 11.7, 18 and 24.
LEAST_SNR = 11.0
# ... and so many times that of any other part that is not right beside it.
LEAST_LEAD = 1.5
# Parts nearer than this may be warmed by the same spot, px.
SAME_PX = 12.0
# What is left over of it at another pace than its own: a body lags behind the board under it by
# half a second, in what takes ten to rise (common practice, no source).
UNLIKE = 0.04
# Directions in which smooth shapes differ by less than this share are one.
ALIKE = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class SharpSpot:
    """A narrow spot at a part.

    Attributes
    ----------
    place
        Index of the part.
    snr
        How surely it is there beside all that is smooth, in sigma.
    field
        The picture about the part without what is smooth, and nothing elsewhere.
    """

    place: int
    snr: float
    field: Field


@dataclass(frozen=True, slots=True, eq=False)
class _Window:
    """The pixels about a part: index, smooth and narrow shapes (n, shapes), maps (n, k)."""

    index: NDArray[np.int64]
    smooth: FloatArray
    narrow: FloatArray
    seen: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """The best narrow spot: SNR, and the maps (n, k) without what is smooth, by their noise."""

    snr: float
    alone: FloatArray


def find_sharp(
    field: Field,
    *,
    places: tuple[Place, ...],
    path_px: tuple[FloatArray, ...],
    course: FloatArray,
    describer: Describer,
) -> SharpSpot | None:
    """Return the part at which something narrow is warm beside the path, None where none is.

    Parameters
    ----------
    field
        Contrast maps, divided by their noise.
    places
        The parts that may be shorted.
    path_px
        (2,) centres of the spots that are the path's.
    course
        (k,) what each contrast stands for in the end.
    describer
        Of spots.
    """
    windows = {
        i: window
        for i, place in enumerate(places)
        if (window := _window(field, place, path_px=path_px, describer=describer)) is not None
    }
    told = {i: _told(window, course=course) for i, window in windows.items()}
    scores = np.full(len(places), -np.inf)
    for i, spot in told.items():
        scores[i] = spot.snr
    best = int(np.argmax(scores)) if told else -1
    if not told or scores[best] < LEAST_SNR:
        return None
    apart = np.array([np.hypot(*(p.xy_px - places[best].xy_px)) for p in places])
    if scores[best] < LEAST_LEAD * np.max(scores, where=apart > SAME_PX, initial=0.0):
        return None
    maps = np.zeros((len(field.maps), field.maps[0].size), np.float32)
    maps[:, windows[best].index] = told[best].alone.T
    alone = replace(field, maps=maps.reshape(field.maps.shape))
    return SharpSpot(place=best, snr=told[best].snr, field=alone)


def _window(
    field: Field, place: Place, *, path_px: tuple[FloatArray, ...], describer: Describer
) -> _Window | None:
    rows, cols = field.shape
    x, y = place.xy_px
    left, right = int(max(0, x - REACH_PX)), int(min(cols, x + REACH_PX + 2))
    top, bottom = int(max(0, y - REACH_PX)), int(min(rows, y + REACH_PX + 2))
    if not (0 <= x < cols and 0 <= y < rows):
        return None
    dy, dx = np.mgrid[top:bottom, left:right] - np.array([y, x])[:, None, None]
    near = (np.hypot(dx, dy) < REACH_PX) & field.searched[top:bottom, left:right]
    index = np.flatnonzero(near)
    index = (index // (right - left) + top) * cols + index % (right - left) + left
    dx, dy = dx[near] / REACH_PX, dy[near] / REACH_PX
    shown = np.ones(len(index))
    if describer.emissivity is not None:
        shown = describer.emissivity.reshape(-1)[index].astype(np.float64)
    widths = describer.widths_px()
    own = np.exp(-0.5 * np.hypot(dx, dy) ** 2 / (widths[:, None] / REACH_PX) ** 2) * shown
    surface = np.stack([np.ones(len(index)), dx, dy, dx * dx, dx * dy, dy * dy]) * shown
    smooth = np.concatenate(
        [
            *(describer.shapes_at(centre)[:, index] for centre in path_px),
            surface,
            np.ones((1, len(index))),
            own[widths > SMOOTH_PX],
        ]
    )
    narrow = own[widths <= NARROW_PX]
    if len(index) < 2 * len(smooth) or not len(narrow):
        return None
    maps = field.maps.reshape(len(field.maps), -1)[:, index].astype(np.float64)
    return _Window(index=index, smooth=smooth.T, narrow=narrow.T, seen=maps.T)


def _told(window: _Window, *, course: FloatArray) -> _Told:
    """Return the best narrow spot beside all that is smooth.

    Of that a share may be left over wherever a body shows it differently: nearly as much in each
    contrast as there is of it, for it warms when the rest does. What warms by itself does so at its
    own pace. So the contrasts are turned until one holds all that is smooth at the part.
    """
    centre = int(np.argmax(window.narrow[:, -1]))
    turn = _turned_to(_smooth_of(window, noise=np.ones_like(window.seen))[centre])
    turned = replace(window, seen=window.seen @ turn)
    noise = np.ones_like(window.seen)
    for _ in range(2):
        smooth = _smooth_of(turned, noise=noise)
        size2 = np.sum(smooth**2, axis=1, keepdims=True)
        noise = np.sqrt(1.0 + LEFTOVER**2 * smooth**2 + UNLIKE**2 * size2)
    bases = [_directions(window.smooth / sigma[:, None]) for sigma in noise.T]
    best: tuple[float, int] = (-np.inf, 0)
    for k, shape in enumerate(window.narrow.T):
        heard, energy, left, share = _heard(turned, shape, noise=noise, bases=bases)
        if share < LEAST_SHARE:
            continue
        free = max(1, left.size - window.smooth.shape[1] * left.shape[1])
        # Pads and edges that are not smooth either are what a spot must stand out from.
        scale = max(1.0, float(np.sum(left**2)) / free)
        sign = float(np.sign(course @ turn @ (heard / energy)))
        best = max(best, (sign * float(np.sqrt(np.sum(heard**2 / energy) / scale)), k))
    snr, k = best
    both = np.concatenate([window.smooth, window.narrow[:, k : k + 1]], axis=1)
    for j, seen in enumerate(turned.seen.T):
        weight = 1.0 / noise[:, j]
        amounts = np.linalg.lstsq(both * weight[:, None], seen * weight, rcond=ALIKE)[0]
        smooth[:, j] = both[:, :-1] @ amounts[:-1]
    alone = ((turned.seen - smooth) / noise) @ turn.T
    return _Told(snr=snr, alone=alone)


def _smooth_of(window: _Window, *, noise: FloatArray) -> FloatArray:
    out = np.empty_like(window.seen)
    for j, seen in enumerate(window.seen.T):
        basis = _directions(window.smooth / noise[:, j, None])
        out[:, j] = (basis @ (basis.T @ (seen / noise[:, j]))) * noise[:, j]
    return out


def _heard(
    window: _Window, shape: FloatArray, *, noise: FloatArray, bases: list[FloatArray]
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Products with the maps (k,), energies (k,), what is left (n, k), share that is not smooth."""
    maps = window.seen.shape[1]
    heard, energy, whole = np.zeros(maps), np.zeros(maps), np.zeros(maps)
    left = np.empty_like(window.seen)
    for j, (seen, basis) in enumerate(zip(window.seen.T, bases, strict=True)):
        given = seen / noise[:, j]
        given = given - basis @ (basis.T @ given)
        own = shape / noise[:, j]
        whole[j] = max(float(own @ own), 1e-290)
        own = own - basis @ (basis.T @ own)
        # Nothing is left of a shape that pixels show nothing of, or that is smooth itself.
        energy[j], heard[j] = max(float(own @ own), 1e-300), own @ given
        left[:, j] = given - own * heard[j] / energy[j]
    return heard, energy, left, float(np.min(energy / whole))


def _turned_to(vector: FloatArray) -> FloatArray:
    """Orthonormal (k, k) of which the first column has the direction of a vector (k,)."""
    matrix = np.eye(len(vector))
    size = float(np.linalg.norm(vector))
    if size > 0:
        matrix[:, 0] = vector / size
    turn: FloatArray = np.linalg.qr(matrix)[0]
    return turn


def _directions(shapes: FloatArray) -> FloatArray:
    """Orthonormal directions (n, r) of shapes (n, m)."""
    left, size, _ = np.linalg.svd(shapes, full_matrices=False)
    out: FloatArray = left[:, size > ALIKE * size[0]]
    return out
