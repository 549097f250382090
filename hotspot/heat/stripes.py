"""Row and column noise: lines of the sensor that move together from frame to frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray


@dataclass(slots=True, eq=False)
class StripeStatistics:
    """Running sums over frame differences.

    Attributes
    ----------
    row_sum, col_sum, pixel_sum
        Sums of the mean squares of neighbouring lines' differences, and of pixels'.
    count
        Frames summed.
    shape
        (rows, cols).
    """

    row_sum: float
    col_sum: float
    pixel_sum: float
    count: int
    shape: tuple[int, int]

    @classmethod
    def build(cls, shape: tuple[int, ...]) -> StripeStatistics:
        """Return empty sums for pictures of (rows, cols)."""
        return cls(0.0, 0.0, 0.0, 0, (int(shape[0]), int(shape[1])))

    def add(self, differences: NDArray[np.float32]) -> None:
        """Add (n, rows, cols) differences of successive frames."""
        for d in differences:
            rows = np.diff(cv2.reduce(d, 1, cv2.REDUCE_AVG)[:, 0].astype(np.float64))
            cols = np.diff(cv2.reduce(d, 0, cv2.REDUCE_AVG)[0].astype(np.float64))
            # Pixels of neighbouring lines, differenced the same way, carry no line noise of
            # their own direction: d[r, c] - d[r+1, c] - d[r, c+1] + d[r+1, c+1].
            sub = d[::3]
            double = (sub[:, 1:] - sub[:, :-1])[1:] - (sub[:, 1:] - sub[:, :-1])[:-1]
            # Robust: bad pixels and moving things are outliers of all three.
            self.row_sum += _robust_square(rows)
            self.col_sum += _robust_square(cols)
            self.pixel_sum += _robust_square(double.ravel()[::7])
            self.count += 1


def measure_stripes(statistics: StripeStatistics) -> tuple[float, float, float]:
    """Return the standard deviations (row, column, pixel) of one frame's noise, value units.

    Notes
    -----
    A frame is white pixel noise of sd s plus a row term of sd r and a column term of sd c, all
    new in each frame. For the difference d of two frames, differences of neighbouring row means
    have variance 4 (r² + s² / cols), of column means 4 (c² + s² / rows), and the double
    differences of pixels 8 s² (line terms cancel). What the pixels explain is taken off; a
    remainder below zero is returned as 0.
    """
    if statistics.count == 0:
        return 0.0, 0.0, 0.0
    rows, cols = statistics.shape
    pixel_var = statistics.pixel_sum / statistics.count / 8
    row_var = statistics.row_sum / statistics.count / 4 - pixel_var / cols
    col_var = statistics.col_sum / statistics.count / 4 - pixel_var / rows
    return tuple(float(np.sqrt(max(v, 0.0))) for v in (row_var, col_var, pixel_var))  # type: ignore[return-value]


def _robust_square(values: FloatArray | NDArray[Any]) -> float:
    """Return the mean square without the outliers (mean is zero).

    The median would do for smooth noise, but rounded values have only a few distinct magnitudes.
    """
    square = np.square(values, dtype=np.float64)
    # Beyond 4 sd lie 6e-5 of Gaussian values: leaving them out costs 0.1 % of the variance.
    middle = np.partition(square, len(square) // 2)[len(square) // 2] / 0.4549
    # 0.4549 = Phi^-1(0.75)²; where over half the values are 0, all of them are kept.
    kept = square[square <= 16 * middle] if middle > 0 else square
    return float(kept.mean())
