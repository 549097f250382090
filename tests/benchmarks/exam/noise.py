"""The camera's own noise, with covariances that the oracle knows exactly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class SensorNoise:
    """Standard deviations in K. 1/f noise has a power law with the exponent `slope`."""

    white_k: float
    flicker_k: float
    slope: float
    row_k: float
    column_k: float
    pattern_k: float  # fixed pattern that the shutter leaves


def flicker_acf(n: int, slope: float) -> NDArray[np.float64]:
    """Return the autocovariance of unit 1/f noise at lags 0 … n-1 slots.

    Exact for what `add_flicker` adds.
    """
    power = _power(n, slope)
    return np.fft.irfft(power)[:n] * (2 * n)


def _power(n: int, slope: float) -> NDArray[np.float64]:
    """Power of each frequency of a circle of 2 n slots, normalised to unit variance."""
    f = np.arange(n + 1, dtype=float)
    power = np.zeros(n + 1)
    power[1:] = f[1:] ** -slope
    total = 2 * power[1:-1].sum() + power[-1]
    return power / total


def add_flicker(
    frames: NDArray, *, slots: NDArray, n_slots: int, noise: SensorNoise, rng: np.random.Generator
) -> None:
    """Add 1/f noise of every pixel by shaped spectra, in place, some rows at a time."""
    if noise.flicker_k == 0:
        return
    n = n_slots
    amplitude = np.sqrt(_power(n, noise.slope) * 2 * n * n).astype(np.float32)
    rows, cols = frames.shape[1:]
    at_once = max(1, int(4e6 / (n * cols)))
    for r in range(0, rows, at_once):
        count = min(at_once, rows - r) * cols
        pair = rng.standard_normal((2, n + 1, count), dtype=np.float32)
        spectrum = (pair[0] + 1j * pair[1]) * amplitude[:, None]
        spectrum[-1] = spectrum[-1].real * np.sqrt(2)
        series = np.fft.irfft(spectrum, axis=0)[slots]
        block = (noise.flicker_k * series).astype(np.float32)
        frames[:, r : r + at_once] += block.reshape(len(slots), -1, cols)


def add_white(frames: NDArray, *, noise: SensorNoise, rng: np.random.Generator) -> None:
    """Add white noise of pixels, rows and columns, in place."""
    n, rows, cols = frames.shape
    frames += noise.row_k * rng.standard_normal((n, rows, 1), dtype=np.float32)
    frames += noise.column_k * rng.standard_normal((n, 1, cols), dtype=np.float32)
    for k in range(n):
        frames[k] += noise.white_k * rng.standard_normal((rows, cols), dtype=np.float32)


def temporal_covariance(
    slots: NDArray, *, n_slots: int, noise: SensorNoise, step_k: float
) -> NDArray:
    """Return the (frames, frames) covariance of one pixel in K^2, quantisation as step^2 / 12."""
    lags = np.abs(slots[:, None] - slots[None])
    cov = noise.flicker_k**2 * flicker_acf(n_slots, noise.slope)[lags]
    cov[np.diag_indices(len(slots))] += noise.white_k**2 + step_k**2 / 12
    return cov
