"""The noise of binned pictures over space, at the times a search for switching looks at.

Sensors' noise is white over pixels, what is left of drift is smooth: from a second to the next it
is small, over ten seconds it is the larger of the two. It is measured on differences of means of a
few seconds, which hold what a train of pulses would have to be told from, and no slow drift.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from hotspot.checks import FloatArray
from hotspot.heat.bands import remove_stripes
from hotspot.heat.bins import BinnedFrames
from hotspot.heat.waves import frequencies, padded_shape, taper

# Means of so many seconds are compared, so many times at most: half a cycle of a usual train.
SPAN_S, MOST_SPANS = 3.0, 40
# Fewer comparisons than this say nothing: then the noise counts as white.
FEWEST_SPANS = 5
# Rings in which the spectrum is described, and the least noise in one, beside the finest.
RINGS, LEAST_POWER = 24, 0.8
# Waves across the picture below which drift removal has left nothing.
REMOVED_WAVES = 1.5
# The finest pattern, beyond this, is a pixel's own noise, rad/px.
FINEST_RAD_PX = 0.6 * np.pi
THREADS = 2  # a bench laptop has two cores


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """Inverse noise power of a picture, 1 between neighbouring pixels.

    Attributes
    ----------
    shape, padded
        Of the picture and of the padded grid.
    inverse
        (rows', cols'/2+1) float32; 0 where nothing is to be looked for.
    """

    shape: tuple[int, int]
    padded: tuple[int, int]
    inverse: NDArray[np.float32]

    @property
    def cells(self) -> int:
        """Pixels of the padded grid."""
        return self.padded[0] * self.padded[1]

    def whitened(self, pictures: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return pictures (n, rows, cols) filtered by the inverse noise power."""
        seen = fft.rfft2(pictures, s=self.padded, workers=THREADS) * self.inverse
        out = fft.irfft2(seen, s=self.padded, workers=THREADS)
        return np.asarray(out[:, : self.shape[0], : self.shape[1]], dtype=np.float32)


def measure_spectrum(bins: BinnedFrames, *, bad: NDArray[np.bool_]) -> Spectrum:
    """Return the noise of binned pictures over space.

    Parameters
    ----------
    bins
        Drift-free bins.
    bad
        (rows, cols) pixels that say nothing.
    """
    rows, cols = bad.shape
    padded = padded_shape((rows, cols))
    ky, kx = frequencies(padded)
    radius = np.hypot(ky, kx)
    power: FloatArray = np.ones(radius.shape)
    changes = _changes(bins)
    if len(changes) >= FEWEST_SPANS:
        pictures = remove_stripes(np.where(bad, np.float32(0), changes.reshape(-1, rows, cols)))
        seen = fft.rfft2(pictures * taper((rows, cols)), s=padded, workers=THREADS)
        # Heat that comes on is in a few of the differences only; a median is 0.69 of the mean.
        raw = np.median(seen.real**2 + seen.imag**2, axis=0)
        power = _in_rings(raw, radius)
    waves2 = (ky * rows / (2 * np.pi)) ** 2 + (kx * cols / (2 * np.pi)) ** 2
    inverse = np.where(waves2 < REMOVED_WAVES**2, 0.0, 1 / power)
    inverse[0, :] = inverse[:, 0] = 0.0  # means of rows and columns are taken out
    return Spectrum(shape=(rows, cols), padded=padded, inverse=inverse.astype(np.float32))


def _changes(bins: BinnedFrames) -> NDArray[np.float32]:
    """Differences (n, pixels) of means of neighbouring spans within a segment."""
    spacing = float(np.median(np.diff(bins.t_s))) if len(bins.t_s) > 1 else SPAN_S
    each = max(1, round(SPAN_S / max(spacing, 1e-9)))
    starts = [
        i
        for i in range(0, len(bins.t_s) - 2 * each + 1, 2 * each)
        if bins.segment[i] == bins.segment[i + 2 * each - 1]
    ]
    starts = starts[:: max(1, len(starts) // MOST_SPANS)]
    out = [
        bins.values[i : i + each].mean(axis=0) - bins.values[i + each : i + 2 * each].mean(axis=0)
        for i in starts
    ]
    return np.array(out, dtype=np.float32).reshape(len(out), bins.values.shape[1])


def _in_rings(raw: FloatArray, radius: FloatArray) -> FloatArray:
    """Spectrum as a function of the radius alone, 1 between neighbouring pixels."""
    use = np.ones(raw.shape, dtype=bool)
    use[0, :] = use[:, 0] = False
    edges = np.geomspace(0.05, FINEST_RAD_PX, RINGS)
    ring = np.digitize(radius, edges)
    count = np.bincount(ring[use], minlength=RINGS + 1)
    mean = np.bincount(ring[use], raw[use], RINGS + 1) / np.maximum(count, 1)
    finest = max(float(mean[-1]), 1e-30)
    known = count > 0
    level = np.maximum(np.interp(np.arange(RINGS + 1), np.flatnonzero(known), mean[known]), 1e-30)
    return np.asarray(np.maximum(level / finest, LEAST_POWER)[ring])
