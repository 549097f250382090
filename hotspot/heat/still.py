"""Drift patterns by which nothing moved: what was taken out along them goes back.

Every pattern that is fitted to the bins takes with it what wide heat has of its shape, and two
dozen smooth patterns seen through the structure of the board take half of a weak spot's signal.
They are needed where a hand, a draught or a room moves in the board's metal. Where the quiet
contrasts, maps of the same kind of time course without signal, show no more along an axis of these
patterns than noise does, nothing moved along it, and it is left in: a draught moves by three or
four of the two dozen. What moved in step with the injection, by more than noise does, is a hand, a
room, or heat strong enough to do without.

Only where the board's outline is known: what the room does to board and bench as wholes is then
described by itself, and is not what the smooth patterns have to stand in for.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.axes import build_axes
from hotspot.heat.drift import Drift
from hotspot.heat.noise import most_of_noise

# Heat is in one place when so much of it is within this distance along x and y, px: warm copper
# about a weak short fades within a centimetre.
ONE_PLACE_SHARE, ONE_PLACE_PX = 0.6, 12.0
# Fewer quiet contrasts than this do not tell what moved, nor seven kinds of noise apart.
LEAST_QUIET = 10


@dataclass(frozen=True, slots=True, eq=False)
class Still:
    """What nothing moved by.

    Attributes
    ----------
    patterns
        (pixels, n) float32, orthonormal over good pixels.
    coefficients
        (bins, n) how much of each was taken out of each bin.
    """

    patterns: NDArray[np.float32]
    coefficients: FloatArray

    def seen_by(self, contrasts: FloatArray) -> NDArray[np.float32]:
        """Return what contrasts (k, bins) see of it: (k, pixels) float32."""
        amounts = (contrasts @ self.coefficients).astype(np.float32)
        out: NDArray[np.float32] = amounts @ self.patterns.T
        return out


def find_still(
    drift: Drift,
    *,
    quiet: FloatArray,
    signal: FloatArray,
    maps: NDArray[np.float32],
    good: NDArray[np.bool_],
) -> Still:
    """Return the drift patterns by which nothing moved.

    Parameters
    ----------
    drift
        What was taken out.
    quiet, signal
        (r, bins) and (k, bins) weights of the quiet and of the signal contrasts, of unit variance
        for noise of one pixel.
    maps
        (k, rows, cols) maps of the signal contrasts, the drift taken out.
    good
        (pixels,) pixels that count.
    """
    axes = build_axes(drift, good=good)
    if len(quiet) < LEAST_QUIET or not axes.turn.size:
        pixels, bins = len(good), len(drift.coefficients)
        return Still(np.zeros((pixels, 0), np.float32), np.zeros((bins, 0)))
    power, axes = axes.principal(quiet)
    axes = axes.chosen(power < most_of_noise(len(power), samples=len(quiet)))
    power, axes = axes.principal(signal)
    patterns = drift.patterns @ axes.turn.astype(np.float32)
    still = power < most_of_noise(len(power), samples=len(signal))
    for i in np.flatnonzero(~still):
        still[i] = _in_one_place(patterns[:, i], signal @ axes.amounts[:, i], maps=maps, good=good)
    return Still(patterns[:, still], axes.chosen(still).amounts)


def _in_one_place(
    pattern: NDArray[np.float32],
    amounts: FloatArray,
    *,
    maps: NDArray[np.float32],
    good: NDArray[np.bool_],
) -> bool:
    """Whether what moved along a pattern in step with the injection is heat in one place.

    The amount of a pattern in a picture is the sum over its pixels of pattern times picture. Of
    heat all of that comes from one place; of what is mirrored all over the board, from everywhere.
    """
    size = float(np.linalg.norm(amounts))
    course = (amounts / size).astype(np.float32)
    picture = course @ maps.reshape(len(maps), -1) + np.float32(size) * pattern
    share = np.where(good, pattern * picture, np.float32(0)).reshape(maps.shape[1:])
    width = 2 * round(ONE_PLACE_PX) + 1
    near = cv2.boxFilter(share, -1, (width, width), normalize=False, borderType=cv2.BORDER_CONSTANT)
    return bool(near.max() > ONE_PLACE_SHARE * size)
