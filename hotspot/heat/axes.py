"""Smooth drift patterns, each freed of what the others share with it, and what moved by them.

Two dozen smooth patterns seen through the structure of the board describe what a draught, a hand or
a room may do to the picture; what one of them does in a recording is a mixture of few. The patterns
are made orthonormal, so that noise has the same power along each, and the principal axes of what
was taken out along them (Jolliffe, Principal Component Analysis, ch. 2) part what moved from what
stood still.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from hotspot.checks import FloatArray
from hotspot.heat.drift import STRUCTURE_ITSELF, WAVES, Drift

# A pattern of which those before leave less than this share is none of its own.
LEAST_OWN = 1e-5


@dataclass(frozen=True, slots=True, eq=False)
class Axes:
    """Smooth patterns, orthonormal over good pixels.

    Attributes
    ----------
    turn
        (d, n): ``drift.patterns @ turn`` are the patterns.
    amounts
        (bins, n) how much of each was taken out of each bin.
    """

    turn: FloatArray
    amounts: FloatArray

    def principal(self, contrasts: FloatArray) -> tuple[FloatArray, Axes]:
        """Return how much moved by each principal axis, and the axes, least first.

        Parameters
        ----------
        contrasts
            (r, bins) weights of contrasts, of unit variance for noise of one pixel.

        Returns
        -------
        (n,) float
            Mean power of the contrasts along each axis: about 1 where nothing but noise moved.
        Axes
            The principal axes.
        """
        moves = contrasts @ self.amounts
        power, turn = np.linalg.eigh(moves.T @ moves / max(len(contrasts), 1))
        return power, Axes(turn=self.turn @ turn, amounts=self.amounts @ turn)

    def chosen(self, which: NDArray[np.bool_]) -> Axes:
        """Return some of the axes."""
        return Axes(turn=self.turn[:, which], amounts=self.amounts[:, which])


def build_axes(drift: Drift, *, good: NDArray[np.bool_]) -> Axes:
    """Return the smooth patterns of a drift; none where the board's outline is not known.

    What the room does to board and bench as wholes is described by itself only where the outline is
    known, or known to lie beyond the picture; elsewhere the smooth patterns have to stand in for
    it.

    Parameters
    ----------
    drift
        What was taken out.
    good
        (pixels,) pixels that count.
    """
    d = drift.patterns.shape[1]
    if STRUCTURE_ITSELF not in drift.names:
        return Axes(turn=np.zeros((d, 0)), amounts=np.zeros((len(drift.coefficients), 0)))
    waves = np.array([n.startswith(WAVES) for n in drift.names])
    # Those that are kept come first: what a wave shares with them is theirs.
    order = np.r_[np.flatnonzero(~waves), np.flatnonzero(waves)]
    # In double precision: with pixels left out, some patterns nearly repeat one another.
    kept = drift.patterns[:, order][good].astype(np.float64)
    gram = kept.T @ kept
    size = np.sqrt(np.maximum(np.diag(gram), 1e-12))
    # Orthonormal patterns are patterns R^-1 with R'R = gram: Cholesky, a hair of ridge.
    root = np.linalg.cholesky(gram / np.outer(size, size) + 1e-7 * np.eye(d)).T
    own = np.diag(root) ** 2 > LEAST_OWN
    own[: int(np.sum(~waves))] = False
    turn = np.zeros((d, int(own.sum())))
    turn[order] = solve_triangular(root, np.eye(d))[:, own] / size[:, None]
    amounts = (drift.coefficients[:, order] * size) @ root.T
    return Axes(turn=turn, amounts=amounts[:, own])
