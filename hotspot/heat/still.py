"""Drift patterns by which nothing moved: what was taken out along them goes back.

Every pattern that is fitted to the bins takes with it what wide heat has of its shape, and two
dozen smooth patterns seen through the structure of the board take half of a weak spot's signal.
They are needed where a hand, a draught or a room moves in the board's metal. Where the quiet
contrasts, maps of the same kind of time course without signal, show no more of a pattern than
noise does, nothing moved by it, and it is left in.

Only where the board's outline is known: what the room does to board and bench as wholes is then
described by itself, and is not what the smooth patterns have to stand in for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from hotspot.checks import FloatArray
from hotspot.heat.drift import BOARD_ITSELF, WAVES, Drift

# Power of a pattern in the quiet contrasts, in units of noise, below which nothing moved by it.
# The mean of 30 squares of noise scatters by 0.26 about 1; of two dozen patterns one in a hundred
# recordings exceeds 2.
STILL_POWER = 2.0
# Fewer quiet contrasts than this do not tell what moved, nor seven kinds of noise apart.
LEAST_QUIET = 10
# A pattern of which those before leave less than this share is none of its own.
LEAST_OWN = 1e-5


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


def find_still(drift: Drift, *, quiet: FloatArray, good: NDArray[np.bool_]) -> Still:
    """Return the drift patterns by which nothing moved.

    Parameters
    ----------
    drift
        What was taken out.
    quiet
        (r, bins) weights of the quiet contrasts, of unit variance for noise of one pixel.
    good
        (pixels,) pixels that count.
    """
    pixels, bins = len(good), len(drift.coefficients)
    nothing = Still(np.zeros((pixels, 0), np.float32), np.zeros((bins, 0)))
    if BOARD_ITSELF not in drift.names or len(quiet) < LEAST_QUIET:
        return nothing
    waves = np.array([n.startswith(WAVES) for n in drift.names])
    # Those that are kept come first: what a wave shares with them is theirs.
    order = np.r_[np.flatnonzero(~waves), np.flatnonzero(waves)]
    first = int(np.sum(~waves))
    patterns = drift.patterns[:, order]
    # In double precision: with pixels left out, some patterns nearly repeat one another.
    kept = patterns[good].astype(np.float64)
    gram = kept.T @ kept
    size = np.sqrt(np.maximum(np.diag(gram), 1e-12))
    # Orthonormal patterns are patterns R^-1 with R'R = gram: Cholesky, a hair of ridge.
    root = np.linalg.cholesky(gram / np.outer(size, size) + 1e-7 * np.eye(len(size))).T
    amounts = (drift.coefficients[:, order] * size) @ root.T  # of orthonormal patterns
    power = np.mean((quiet @ amounts) ** 2, axis=0)
    chosen = (power < STILL_POWER) & (np.diag(root) ** 2 > LEAST_OWN)
    chosen[:first] = False
    if not chosen.any():
        return nothing
    turn = solve_triangular(root, np.eye(len(size)))[:, chosen] / size[:, None]
    return Still(patterns @ turn.astype(np.float32), amounts[:, chosen])
