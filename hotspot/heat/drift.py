"""Drift that the whole picture shares: removed bin by bin, robustly, while something is heating.

A camera's temperature drift is smooth over the picture (constant and low-order terms); a board that
warms or cools as a whole, or a room that does, shows up in proportion to the emissivity pattern,
which the cold picture itself displays; and a camera that shivers moves the cold picture by parts of
a pixel, which its gradient displays. All of these are fitted to every time bin at once and taken
out. A heated part covers few of the pixels the fit rests on, and those that change most are left
out of a second round, so that the heat stays.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray

# Pixels whose change over time exceeds this many times the median change are left out of the
# second fit; 2 keeps 95 % of the pixels of pure noise of unequal level and drops warm areas.
WARM_FACTOR = 2.0
# The structure picture is blurred by this much, so that fixed pixel noise does not enter it.
STRUCTURE_SIGMA_PX = 0.8


@dataclass(frozen=True, slots=True, eq=False)
class Drift:
    """What was taken out.

    Attributes
    ----------
    patterns
        (pixels, d) the spatial patterns.
    coefficients
        (bins, d) how much of each pattern each bin holds.
    names
        What each pattern stands for.
    """

    patterns: NDArray[np.float32]
    coefficients: FloatArray
    names: tuple[str, ...]


def build_patterns(
    cold: NDArray[np.float32], *, bad: NDArray[np.bool_]
) -> tuple[NDArray[np.float32], tuple[str, ...]]:
    """Return the spatial patterns (pixels, d) that drift may take, and their names.

    Parameters
    ----------
    cold
        (rows, cols) cold picture.
    bad
        (rows, cols) pixels to leave out.
    """
    rows, cols = cold.shape
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j]
    patterns = [np.ones_like(x), x, y, x * x - 1 / 3, x * y, y * y - 1 / 3]
    names = ["level", "slope x", "slope y", "bowl x", "twist", "bowl y"]
    filled = np.where(bad | ~np.isfinite(cold), np.nanmedian(cold), cold).astype(np.float32)
    smooth = cv2.GaussianBlur(filled, (0, 0), STRUCTURE_SIGMA_PX)
    low, high = np.percentile(smooth, (1, 99))
    if high > low:
        structure = (np.clip(smooth, low, high) - smooth.mean()) / (high - low)
        patterns += [structure, structure * x, structure * y]
        names += ["structure", "structure x", "structure y"]
        patterns += [np.gradient(structure, axis=1), np.gradient(structure, axis=0)]
        names += ["shift x", "shift y"]
    stack = np.stack([p.reshape(-1) for p in patterns], axis=1).astype(np.float32)
    scale = np.sqrt(np.mean(stack**2, axis=0))
    return stack / np.maximum(scale, 1e-12), tuple(names)


def remove_drift(
    values: NDArray[np.float32],
    *,
    patterns: NDArray[np.float32],
    names: tuple[str, ...],
    bad: NDArray[np.bool_],
    keep_out: NDArray[np.bool_] | None = None,
) -> Drift:
    """Take the shared drift out of binned values, in place.

    Parameters
    ----------
    values
        (bins, pixels) float32, changed in place.
    patterns, names
        From `build_patterns`.
    bad
        (rows, cols) pixels that say nothing.
    keep_out
        (rows, cols) pixels known to be heated, left out of the fit as well.

    Returns
    -------
    Drift
        What was taken out.
    """
    good = ~bad.reshape(-1)
    if keep_out is not None and (good & ~keep_out.reshape(-1)).sum() > 20 * patterns.shape[1]:
        good = good & ~keep_out.reshape(-1)
    total = np.zeros((len(values), patterns.shape[1]))
    for last in (False, True):
        basis = patterns[good]
        coefficients = np.linalg.lstsq(
            (basis.T @ basis).astype(np.float64),
            (basis.T @ values[:, good].T).astype(np.float64),
            rcond=1e-8,
        )[0].T
        for first in range(0, len(values), 32):
            part = slice(first, first + 32)
            values[part] -= coefficients[part].astype(np.float32) @ patterns.T
        total += coefficients
        if last:
            break
        change = values[:, :].std(axis=0)
        middle = float(np.median(change[good]))
        calm = good & (change < WARM_FACTOR * middle)
        if middle > 0 and calm.sum() > max(20 * patterns.shape[1], 0.3 * good.sum()):
            good = calm
    return Drift(patterns=patterns, coefficients=total, names=names)
