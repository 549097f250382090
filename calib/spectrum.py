"""Noise of a pixel over time: spectrum with its 1/f knee, and what averaging really brings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from hotspot.checks import FloatArray, freeze

# Pixels looked at: a pooled variance of 4000 independent ones is good to 1 to 2 %.
_MOST_PIXELS = 4000
# The straight line taken off each series spoils the lowest bins of a Hann-windowed spectrum.
_SKIP_BINS = 2
_FEWEST_FRAMES = 32
# Slow noise counts as seen when it makes up this share of the white level at the lowest
# frequency: the spectrum's own scatter over 4000 pixels is 2 to 5 %.
_SEEN = 0.25
# Averaging is worth while until slow noise equals what is left of the white noise.
_WORTH = float(np.sqrt(2.0))


@dataclass(frozen=True, slots=True, eq=False)
class NoiseSpectrum:
    """One-sided power spectral density of a pixel's noise, pooled over pixels.

    Attributes
    ----------
    frequency_hz, density
        (k,) each; density in value units² per Hz.
    white_density
        Level w of the fit w + a / f^exponent.
    exponent
        NaN when no slow noise is seen.
    knee_hz, knee_sigma_hz
        Where both parts are equal; None when no slow noise is seen.
    is_regular
        Whether the frames are spaced evenly (within a fifth); otherwise frequencies are those of
        the mean spacing.
    """

    frequency_hz: FloatArray
    density: FloatArray
    white_density: float
    exponent: float
    knee_hz: float | None
    knee_sigma_hz: float | None
    is_regular: bool


@dataclass(frozen=True, slots=True, eq=False)
class AllanDeviation:
    """How far the means of successive N frames differ: what averaging N frames is worth.

    Attributes
    ----------
    frames
        (k,) int, N.
    tau_s
        (k,) duration of N frames.
    deviation, sigma
        (k,) overlapping Allan deviation of a pixel, pooled, and its uncertainty.
    worth_frames
        Largest N for which averaging still brings what white noise would within √2; None when
        that holds up to the end.
    best_frames, best_deviation
        N of the smallest deviation seen, and that.
    """

    frames: NDArray[np.intp]
    tau_s: FloatArray
    deviation: FloatArray
    sigma: FloatArray
    worth_frames: int | None
    best_frames: int
    best_deviation: float


def to_series(
    values: NDArray[Any],
    *,
    good: NDArray[np.bool_] | None = None,
    spread: tuple[float, float] = (1.0, 1.0),
) -> NDArray[np.float64]:
    """Return (n, pixels) series of single pixels over time, spread over the picture.

    Frame, row and column means are taken off: they are parts of their own (`measure_noise`), and
    the finder takes a common drift off as well. What the pixels lose by that (1/rows + 1/cols of
    their variance, times the `spread` of `NoiseComponents`) is given back by a factor.
    """
    mean = values.mean(axis=0, dtype=np.float64)
    row = values.mean(axis=2, dtype=np.float64) - mean.mean(axis=1)
    col = values.mean(axis=1, dtype=np.float64) - mean.mean(axis=0)
    frame = row.mean(axis=1)
    index = np.arange(mean.size) if good is None else np.flatnonzero(good)
    # An odd stride near the golden section of a row never walks down one column.
    chosen = index[:: max(1, len(index) // _MOST_PIXELS)]
    r, c = np.unravel_index(chosen, mean.shape)
    rows, cols = mean.shape
    left = max(0.25, (1 - spread[0] / rows) * (1 - spread[1] / cols))
    rest = values[:, r, c] - mean[r, c] - row[:, r] - col[:, c] + frame[:, None]
    out: NDArray[np.float64] = (rest / np.sqrt(left)).astype(np.float64)
    return out


def measure_spectrum(series: NDArray[np.float64], *, t_s: FloatArray) -> NoiseSpectrum:
    """Return the noise spectrum of pixels and the frequency below which slow noise rules.

    Parameters
    ----------
    series
        (n, pixels), from `to_series`; 32 frames or more.
    t_s
        (n,) times.

    Notes
    -----
    Periodogram under a Hann window with straight lines taken off, averaged over pixels; fitted
    with w + a / f^α by the likelihood of Whittle (1953). The uncertainty of the knee is scaled by
    how far the spectrum scatters about the fit.
    """
    n, pixels = series.shape
    if n < _FEWEST_FRAMES:
        raise ValueError(f"series must hold {_FEWEST_FRAMES} frames or more, got {n}")
    steps = np.diff(t_s)
    step_s = float(t_s[-1] - t_s[0]) / (n - 1)
    window = np.hanning(n + 1)[:-1]
    time = np.arange(n) - (n - 1) / 2
    slope = (time @ series) / float(time @ time)
    flat = series - series.mean(axis=0) - time[:, None] * slope
    power = np.zeros(n // 2 + 1)
    for k in range(0, pixels, 256):
        power += np.sum(np.abs(np.fft.rfft(flat[:, k : k + 256] * window[:, None], axis=0)) ** 2, 1)
    density = 2 * power / pixels * step_s / float(np.sum(window**2))
    frequency = np.fft.rfftfreq(n, step_s)
    last = len(frequency) - (1 if n % 2 == 0 else 0)  # the bin at half the rate is one-sided
    frequency, density = frequency[1 + _SKIP_BINS : last], density[1 + _SKIP_BINS : last]
    white, exponent, knee, sigma = _fit(frequency, density)
    return NoiseSpectrum(
        frequency_hz=freeze(frequency),
        density=freeze(density),
        white_density=white,
        exponent=exponent,
        knee_hz=knee,
        knee_sigma_hz=sigma,
        is_regular=bool(np.max(np.abs(steps - np.median(steps))) <= 0.2 * np.median(steps)),
    )


def _fit(
    frequency: FloatArray, density: FloatArray
) -> tuple[float, float, float | None, float | None]:
    level = float(np.median(density))
    middle = float(np.exp(np.mean(np.log(frequency))))

    def model(p: FloatArray) -> FloatArray:
        out: FloatArray = np.exp(p[0]) + np.exp(p[1]) * (frequency / middle) ** (-p[2])
        return out

    def cost(p: FloatArray) -> float:
        m = model(p)
        return float(np.sum(np.log(m) + density / m))

    start = np.array([np.log(level), np.log(0.1 * level), 1.0])
    bounds = [(np.log(level) - 10, np.log(level) + 3), (np.log(level) - 25, np.log(level) + 10),
              (0.3, 3.0)]  # fmt: skip
    found = minimize(cost, start, bounds=bounds, method="L-BFGS-B").x
    white = float(np.exp(found[0]))
    slow_at_lowest = float(model(found)[0]) - white
    if slow_at_lowest < _SEEN * white:
        return float(np.mean(density)), float("nan"), None, None
    knee = middle * float(np.exp((found[1] - found[0]) / found[2]))
    # Curvature by the expected information, scaled by the scatter of the bins about the fit.
    m = model(found)
    slow = m - white
    jac = np.stack([np.full_like(m, white), slow, -slow * np.log(frequency / middle)], axis=1)
    scatter = float(np.mean((density / m - 1) ** 2))
    try:
        covariance = np.linalg.inv((jac / m[:, None]).T @ (jac / m[:, None])) * scatter
    except np.linalg.LinAlgError:
        return white, float(found[2]), knee, None
    log_knee = np.array([-1, 1, -(found[1] - found[0]) / found[2]]) / found[2]
    sigma = knee * float(np.sqrt(max(log_knee @ covariance @ log_knee, 0.0)))
    return white, float(found[2]), knee, sigma


def measure_allan(
    series: NDArray[np.float64],
    *,
    t_s: FloatArray,
    alike: float = 1.0,
    frames: NDArray[np.intp] | None = None,
) -> AllanDeviation:
    """Return the overlapping Allan deviation of pixels.

    Parameters
    ----------
    series
        (n, pixels), from `to_series`; 8 frames or more.
    t_s
        (n,) times.
    alike
        Pixels that share one independent value (noise smoothed over neighbours), for `sigma`.
    frames
        Numbers of frames to average, up to half the series; some 25 up to a third if None.

    Notes
    -----
    σ²(N) = ⟨(mean of N frames - mean of the N before)²⟩ / 2 over all positions (IEEE Std 1139;
    Riley, NIST Special Publication 1065, sec. 5.2.4). It equals σ²/N for white noise and stops
    falling where slow noise takes over. `sigma` uses the equivalent degrees of freedom for white
    noise (SP 1065, table 5) times the number of independent pixels.
    """
    n, pixels = series.shape
    if n < 8:
        raise ValueError(f"series must hold 8 frames or more, got {n}")
    total = np.concatenate([np.zeros((1, pixels)), np.cumsum(series, axis=0)])
    if frames is None:
        frames = np.unique(np.round(np.geomspace(1, n // 3, 25)).astype(np.intp))
    elif frames.min() < 1 or frames.max() > n // 2:
        raise ValueError(f"frames must be from 1 to {n // 2}, got {frames!r}")
    deviation, sigma = [], []
    for m in frames:
        step = total[2 * m :] - 2 * total[m:-m] + total[: -2 * m]
        value = float(np.sqrt(np.mean(step * step) / 2) / m)
        edf = (3 * (n - 1) / (2 * m) - 2 * (n - 2) / n) * 4 * m**2 / (4 * m**2 + 5)
        deviation.append(value)
        sigma.append(value / np.sqrt(2 * max(edf, 1.0) * max(1.0, pixels / alike)))
    dev = np.array(deviation)
    step_s = float(t_s[-1] - t_s[0]) / (n - 1)
    beyond = np.flatnonzero(dev > _WORTH * dev[0] / np.sqrt(frames))
    best = int(np.argmin(dev))
    return AllanDeviation(
        frames=frames,
        tau_s=freeze(frames * step_s),
        deviation=freeze(dev),
        sigma=freeze(np.array(sigma)),
        worth_frames=int(frames[max(0, beyond[0] - 1)]) if len(beyond) else None,
        best_frames=int(frames[best]),
        best_deviation=float(dev[best]),
    )
