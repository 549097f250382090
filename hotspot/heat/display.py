"""Display video: take off a per-frame automatic gain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray

# Pixels that vote on gain and offset: enough that the gain's own error (noise / contrast /
# sqrt(votes)) stays below 6e-4 at a contrast of 30 noise sd.
VOTES = 8000
# Every how many of them vote in the rounds of least absolute deviations, which only find out who
# is an outlier, and how many rounds; then Tukey's biweight, 95 % efficient at 4.685 sd, finishes:
# it gives a warm part no weight at all, where Huber's would let it pull.
COARSE, COARSE_ROUNDS, FINE_ROUNDS = 8, 8, 3
BIWEIGHT = 4.685


@dataclass(frozen=True, slots=True, eq=False)
class GainProbe:
    """Pixels spread over the picture and their values in the reference frame.

    Attributes
    ----------
    index
        (m,) flat pixel indices.
    values
        (m,) float64 reference values.
    ends
        Values at or beyond these are clipped and do not vote.
    """

    index: NDArray[np.intp]
    values: FloatArray
    ends: tuple[float, float]

    @classmethod
    def build(cls, reference: NDArray[np.float32], *, ends: tuple[float, float]) -> GainProbe:
        """Return a probe for pictures like `reference` (rows, cols)."""
        flat = reference.ravel()
        usable = np.flatnonzero((flat > ends[0]) & (flat < ends[1]))
        # A step that shares no factor with common widths spreads the votes over all columns.
        chosen = usable[:: max(1, len(usable) // VOTES)]
        return cls(index=chosen, values=flat[chosen].astype(np.float64), ends=ends)

    def measure(self, picture: NDArray[np.float32]) -> tuple[float, float, float]:
        """Return gain, offset and residual: picture = gain * reference + offset.

        Robust regression by reweighting (Beaton & Tukey, Technometrics 16 (1974) 147), so that a
        warming part or a hand over under half of the picture does not pull. Gain 1 where the
        picture has no contrast to measure it by.
        """
        v = picture.ravel()[self.index].astype(np.float64)
        keep = (v > self.ends[0]) & (v < self.ends[1])
        if np.count_nonzero(keep) < 16:
            return 1.0, 0.0, 0.0
        r, v = self.values[keep], v[keep]
        few = slice(None, None, COARSE if len(r) > 64 * COARSE else 1)
        gain, offset, miss = 1.0, 0.0, np.abs(v[few] - r[few])
        for k in range(COARSE_ROUNDS + FINE_ROUNDS):
            fine = k >= COARSE_ROUNDS
            x, y = (r, v) if fine else (r[few], v[few])
            if fine:
                miss = np.abs(y - gain * x - offset)
                # Below the rounding of an 8-bit value (0.3 levels) all misses weigh the same.
                scale = max(float(1.4826 * _median(miss)), 0.3)
                weight = np.square(np.maximum(1 - np.square(miss / (BIWEIGHT * scale)), 0))
            else:
                weight = np.ones(len(x)) if k == 0 else 1 / np.maximum(miss, 0.3)
            total = weight.sum()
            x_mean, y_mean = weight @ x / total, weight @ y / total
            x_off = weight * (x - x_mean)
            contrast = x_off @ x
            if contrast < 0.25 * total:  # under half a level of contrast: gain means nothing
                return 1.0, float(np.median(v - r)), 0.0
            gain = float(x_off @ y / contrast)
            offset = float(y_mean - gain * x_mean)
            miss = np.abs(y - gain * x - offset)
        if gain < 0.05:  # a blank frame: nothing of the reference is left in it
            return 1.0, float(np.median(v - r)), float(1.4826 * np.median(miss))
        return gain, offset, float(1.4826 * np.median(miss))


def _median(values: FloatArray) -> float:
    """Median without numpy's overhead of NaN checks."""
    half = len(values) // 2
    return float(np.partition(values, half)[half])


def has_steady_gain(gain: FloatArray, offset: FloatArray, *, contrast: float) -> bool:
    """Return whether gains and offsets only scatter as rounding would make them.

    `contrast` is the standard deviation of the reference in levels. Half a level over the whole
    contrast is below what any 8-bit display can have changed.
    """
    middle = np.median(gain)
    gain_spread = float(np.quantile(np.abs(gain - middle), 0.95))
    return gain_spread * max(contrast, 1.0) * 2 < 0.5 and bool(
        np.quantile(np.abs(offset - np.median(offset)), 0.95) < 2.0
    )
