"""Display video: take off a per-frame automatic gain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray

# Pixels that vote on gain and offset: enough that the gain's own error (noise / contrast /
# sqrt(votes)) stays below 1e-3 at a contrast of 30 noise sd.
VOTES = 4000
# Rounds of reweighting; least absolute deviations settles to 1e-3 of the noise in about ten.
ROUNDS = 10


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

        Least absolute deviations by reweighting, so that a warming part or a hand (under half of
        the picture) does not pull. Gain 1 where the picture has no contrast to measure it by.
        """
        v = picture.ravel()[self.index].astype(np.float64)
        keep = (v > self.ends[0]) & (v < self.ends[1])
        if np.count_nonzero(keep) < 16:
            return 1.0, 0.0, 0.0
        r, v = self.values[keep], v[keep]
        weight = np.ones(len(r))
        gain, offset = 1.0, 0.0
        for _ in range(ROUNDS):
            total = weight.sum()
            r_mean, v_mean = weight @ r / total, weight @ v / total
            r_off = weight * (r - r_mean)
            contrast = r_off @ r
            if contrast < 0.25 * total:  # under half a level of contrast: gain means nothing
                return 1.0, float(np.median(v - r)), 0.0
            gain = float(r_off @ v / contrast)
            offset = float(v_mean - gain * r_mean)
            miss = np.abs(v - gain * r - offset)
            # Below the rounding of an 8-bit value all misses weigh the same.
            weight = 1.0 / np.maximum(miss, 0.3)
        if gain < 0.05:  # a blank frame: nothing of the reference is left in it
            return 1.0, float(np.median(v - r)), float(1.4826 * np.median(miss))
        return gain, offset, float(1.4826 * np.median(miss))


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
