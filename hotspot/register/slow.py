"""What a cold picture shows beside bodies: slow shading, and the board as a whole on its bench."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from hotspot.checks import FloatArray
from hotspot.heat.outline import share_inside

# What is not bodies and changes slowly over the picture (vignetting, a warmer end of the board) is
# described by cosines down to this wavelength, px: wider than all but the largest bodies.
LEAST_WAVE_PX = 40.0
MOST_WAVES = 8
# Each edge of the board may be shifted, turned and bent by a lens: powers along it.
EDGE_POWERS = 3
# Directions with less than this share of the largest square are not there: an edge outside.
LEAST_SQUARE = 1e-6


class Slow:
    """Waves and the board, orthonormal.

    A board warmer than its bench by more than its bodies' contrasts ends in a step that outshines
    them. It is described with all freedom that an edge not quite where it is expected has, so that
    bodies near it are not moved instead.
    """

    def __init__(self, shape: tuple[int, int], *, board_px: FloatArray | None) -> None:
        self.pixels = shape[0] * shape[1]
        self._down, self._across = (_waves(n) for n in shape)
        self._board: FloatArray = np.zeros((0, self.pixels))
        if board_px is not None and np.isfinite(board_px).all():
            raw = _board_shapes(board_px, shape=shape)
            own = raw - np.stack([self._wavy(r) for r in raw])
            square, turn = np.linalg.eigh(own @ own.T)
            kept = square > LEAST_SQUARE * max(float(square[-1]), 1.0)
            self._board = (turn[:, kept] / np.sqrt(square[kept])).T @ own

    def fitted(self, picture: FloatArray) -> FloatArray:
        """Return the slow course (pixels,) of a picture (pixels,)."""
        out: FloatArray = self._wavy(picture) + (self._board @ picture) @ self._board
        return out

    def seen_in(self, columns: sparse.csc_array) -> FloatArray:
        """Return how much of each basis picture (k,) sparse columns (pixels, n) have: (k, n)."""
        turned = columns.T
        blocks = [turned @ self._board.T]
        for down in self._down:
            basis = (down[:, None, None] * self._across.T[None]).reshape(self.pixels, -1)
            blocks.append(turned @ basis)
        out: FloatArray = np.concatenate(blocks, axis=1).T
        return out

    def _wavy(self, picture: FloatArray) -> FloatArray:
        whole = picture.reshape(self._down.shape[1], self._across.shape[1])
        amounts = self._down @ whole @ self._across.T
        out: FloatArray = (self._down.T @ amounts @ self._across).reshape(-1)
        return out


def _waves(n: int) -> FloatArray:
    """Return waves (k, n) along a side, and slope and bend, orthonormal.

    Cosines have no slope at the border, where vignetting has its steepest.
    """
    count = int(np.clip(2 * n / LEAST_WAVE_PX, 2, MOST_WAVES))
    at = (np.arange(n) + 0.5) / n
    waves = np.cos(np.pi * np.outer(np.arange(count), at))
    out: FloatArray = np.linalg.qr(np.stack([*waves, at, at**2], axis=1))[0].T
    return out


def _board_shapes(board_px: FloatArray, *, shape: tuple[int, int]) -> FloatArray:
    """Return (k, pixels): the board's step, its slopes, its blur, and what each edge may do."""
    share: NDArray[np.float64] = share_inside(board_px, shape=shape).astype(np.float64)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float64)
    rise = np.hypot(*np.gradient(share))
    ahead = np.roll(board_px, -1, axis=0)
    apart, along = [], []
    for start, end in zip(board_px, ahead, strict=True):
        length = max(float(np.hypot(*(end - start))), 1e-9)
        dx, dy = (end - start) / length
        u, v = x - start[0], y - start[1]
        along.append(2 * (u * dx + v * dy) / length - 1)
        apart.append(np.abs(v * dx - u * dy))
    nearest = np.argmin(apart, axis=0)
    edges = [
        np.where(nearest == i, rise * along[i] ** power, 0.0)
        for i in range(len(board_px))
        for power in range(EDGE_POWERS)
    ]
    board = [share, share * x / shape[1], share * y / shape[0], cv2.Laplacian(share, cv2.CV_64F)]
    out: FloatArray = np.stack([*board, *edges]).reshape(-1, share.size)
    return out
