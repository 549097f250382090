"""Large frames are analysed on a grid of half the pixels; the answer is given on the full one.

The optics of a large sensor blur over a pixel or more, and parts and their heat are wider still:
adding two by two pixels costs a few per cent of the signal-to-noise ratio and saves three quarters
of time and memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.finding import Finding, Spot
from hotspot.heat.bins import LARGE_FRAME_PIXELS, BinnedFrames
from hotspot.heat.heatmap import HeatMap
from hotspot.register.registration import PlaneMap, Registration


def coarse_factor(shape: tuple[int, int]) -> int:
    """Return by how much each side of a frame is reduced: 1 or 2; 320 x 256 stays as it is."""
    return 2 if shape[0] * shape[1] >= LARGE_FRAME_PIXELS else 1


@dataclass(frozen=True, slots=True, eq=False)
class Coarse:
    """The smaller grid.

    Attributes
    ----------
    factor
        1 or 2.
    full_shape
        (rows, cols) of the frames.
    bad
        (rows, cols) bad pixels of the frames.
    """

    factor: int
    full_shape: tuple[int, int]
    bad: NDArray[np.bool_]

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, cols) of the smaller grid."""
        return self.full_shape[0] // self.factor, self.full_shape[1] // self.factor

    def reduced(self, picture: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return a frame on the smaller grid: the mean of the good pixels of each block."""
        if self.factor == 1:
            return picture
        return self._reduced(picture, *self._touched())

    def _reduced(
        self, picture: NDArray[np.float32], row: NDArray[np.intp], col: NDArray[np.intp]
    ) -> NDArray[np.float32]:
        """Return the means of all blocks; those at (row, col) have bad pixels."""
        rows, cols = self.shape
        cut = picture[: rows * self.factor, : cols * self.factor]
        whole = np.asarray(
            cv2.resize(cut, (cols, rows), interpolation=cv2.INTER_AREA), dtype=np.float32
        )
        if len(row):
            good = ~self._blocks()[row, :, col]
            pixels = cut.reshape(rows, self.factor, cols, self.factor)[row, :, col]
            total = np.where(good, pixels, np.float32(0)).sum(axis=(1, 2))
            whole[row, col] = total / np.maximum(good.sum(axis=(1, 2)), 1)
        return whole

    def reduced_bins(self, bins: BinnedFrames) -> BinnedFrames:
        """Return binned frames on the smaller grid."""
        if self.factor == 1:
            return bins
        pictures = bins.values.reshape(-1, *self.full_shape)
        values = np.empty((len(pictures), self.shape[0] * self.shape[1]), dtype=np.float32)
        touched = self._touched()
        for i, picture in enumerate(pictures):
            values[i] = self._reduced(picture, *touched).reshape(-1)
        return replace(
            bins,
            values=values,
            noise=self.reduced(bins.noise) / np.float32(self.factor),
            reference=self.reduced(bins.reference),
            shape=self.shape,
        )

    def _touched(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Row and column of the blocks that have a bad pixel."""
        row, col = np.nonzero(np.any(self._blocks(), axis=(1, 3)))
        return row, col

    def _blocks(self) -> NDArray[np.bool_]:
        rows, cols = self.shape
        cut = self.bad[: rows * self.factor, : cols * self.factor]
        return cut.reshape(rows, self.factor, cols, self.factor)

    def reduced_bad(self) -> NDArray[np.bool_]:
        """Return the blocks that have no good pixel."""
        if self.factor == 1:
            return self.bad
        out: NDArray[np.bool_] = np.all(self._blocks(), axis=(1, 3))
        return out

    def reduced_registration(self, registration: Registration) -> Registration:
        """Return the registration of the smaller grid."""
        if self.factor == 1:
            return registration
        # Centre of block (0, 0) of two pixels lies at 0.5, 0.5 of the full grid.
        shift = (self.factor - 1) / 2
        full = PlaneMap(
            matrix=np.array([[self.factor, 0, shift], [0, self.factor, shift], [0, 0, 1.0]]),
            parameter_cov=np.zeros((8, 8)),
        )
        photo, board = registration.photo_from_thermal, registration.board_from_thermal
        return replace(
            registration,
            photo_from_thermal=None if photo is None else photo.after(full),
            board_from_thermal=None if board is None else board.after(full),
        )

    def reduced_points(self, points_px: FloatArray) -> FloatArray:
        """Return points (n, 2) of the frame in pixels of the smaller grid."""
        out: FloatArray = (points_px - (self.factor - 1) / 2) / self.factor
        return out

    def enlarged(self, finding: Finding, *, registration: Registration) -> Finding:
        """Return a finding of the smaller grid on the full one."""
        if self.factor == 1:
            return finding
        shift = (self.factor - 1) / 2

        def spot(small: Spot) -> Spot:
            return replace(
                small,
                xy_px=self.factor * small.xy_px + shift,
                cov_px2=self.factor**2 * small.cov_px2,
            )

        return replace(
            finding,
            spots=tuple(spot(s) for s in finding.spots),
            registration=registration,
            heat=self._enlarged_heat(finding.heat),
        )

    def _enlarged_heat(self, heat: HeatMap) -> HeatMap:
        return replace(
            heat,
            rise_k=self._enlarged_picture(heat.rise_k),
            sigma_k=self._enlarged_picture(heat.sigma_k),
            source=self._enlarged_picture(heat.source),
            cold=self._enlarged_picture(heat.cold),
            valid=~self.bad,
        )

    def _enlarged_picture(self, picture: NDArray[np.float32]) -> NDArray[np.float32]:
        rows, cols = self.shape[0] * self.factor, self.shape[1] * self.factor
        large = cv2.resize(picture, (cols, rows), interpolation=cv2.INTER_LINEAR)
        right, below = self.full_shape[1] - cols, self.full_shape[0] - rows
        padded = cv2.copyMakeBorder(large, 0, below, 0, right, cv2.BORDER_REPLICATE)
        return np.asarray(padded, dtype=np.float32)
