"""The camera's noise over time: white, and what wanders slowly.

Measured from the recording itself, never assumed: the variogram of the drift-free bins, pooled
robustly over pixels (heat covers few of them), fitted with white noise and a sum of
Ornstein-Uhlenbeck processes, which together imitate 1/f noise over the times that matter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from hotspot.checks import FloatArray
from hotspot.heat.robust import robust_sigma

# Correlation times of the slow part, s: half-decade steps from a second to beyond a recording.
SLOW_TAUS_S = (1.0, 3.0, 10.0, 30.0, 100.0, 300.0)
# Twice the gain in log-likelihood that proves a further kind of noise: chi-squared with one degree
# of freedom exceeds 8 once in 200, and six kinds are tried.
PROOF = 8.0
# Pixels and pairs looked at: a robust scale from 6000 pixels is good to 1.5 %.
MOST_PIXELS = 6000
MOST_PAIRS = 24


@dataclass(frozen=True, slots=True, eq=False)
class TemporalNoise:
    """Noise of one pixel over time.

    Attributes
    ----------
    white_sigma
        Standard deviation of one frame.
    slow_variance
        (len(SLOW_TAUS_S),) variance of each slow process.
    """

    white_sigma: float
    slow_variance: FloatArray

    def covariance(self, t_s: FloatArray, *, frames: NDArray[Any]) -> FloatArray:
        """Return the (bins, bins) covariance of bin means at times `t_s` of `frames` frames."""
        lag = np.abs(t_s[:, None] - t_s[None, :])
        cov = np.diag(self.white_sigma**2 / np.asarray(frames, dtype=np.float64))
        for variance, tau in zip(self.slow_variance, SLOW_TAUS_S, strict=True):
            if variance > 0:
                cov = cov + variance * np.exp(-lag / tau)
        return cov


def fit_temporal_noise(
    values: NDArray[np.float32],
    *,
    t_s: FloatArray,
    frames: NDArray[np.int64],
    segment: NDArray[np.int64],
    good: NDArray[np.bool_],
) -> TemporalNoise:
    """Measure the noise over time from drift-free bins.

    Parameters
    ----------
    values
        (bins, pixels) float32.
    t_s, frames, segment
        (bins,) time, number of frames and segment of each bin.
    good
        (pixels,) pixels to use.

    Returns
    -------
    TemporalNoise
        Pooled over pixels.
    """
    index = np.flatnonzero(good)
    stride = max(1, len(index) // MOST_PIXELS)
    pixels = index[::stride]
    bins = len(values)
    lags = np.unique(np.round(np.geomspace(1, max(1, bins - 1), 14)).astype(int))
    rows, observed = [], []
    for lag in lags:
        first = np.flatnonzero(segment[:-lag] == segment[lag:]) if lag < bins else np.zeros(0, int)
        if len(first) == 0:
            continue
        first = first[:: max(1, len(first) // MOST_PAIRS)]
        half, weight, gap = [], [], []
        for i in first:
            step = values[i + lag, pixels] - values[i, pixels]
            sigma = robust_sigma(step)
            half.append(0.5 * sigma * sigma)
            weight.append(0.5 / frames[i] + 0.5 / frames[i + lag])
            gap.append(t_s[i + lag] - t_s[i])
        gaps = np.array(gap)
        rows.append([np.mean(weight), *(np.mean(1 - np.exp(-gaps / tau)) for tau in SLOW_TAUS_S)])
        observed.append(np.mean(half))
    if not rows or max(observed) <= 0:
        return TemporalNoise(white_sigma=1e-6, slow_variance=np.zeros(len(SLOW_TAUS_S)))
    model, seen = np.array(rows), np.array(observed)
    # Relative weights: each lag counts alike, whatever its size.
    weights = 1.0 / np.maximum(seen, 1e-3 * seen.max())
    amounts, _ = nnls(model * weights[:, None], seen * weights)
    white = max(float(amounts[0]), 1e-4 * float(seen.min()) / float(model[0, 0]))
    return TemporalNoise(white_sigma=float(np.sqrt(white)), slow_variance=amounts[1:])


def noise_components(t_s: FloatArray, *, frames: NDArray[Any]) -> tuple[FloatArray, ...]:
    """Return the (bins, bins) covariance of each kind of noise at unit amount: white, then slow."""
    lag = np.abs(t_s[:, None] - t_s[None, :])
    white = np.diag(1.0 / np.asarray(frames, dtype=np.float64))
    return (white, *(np.exp(-lag / tau) for tau in SLOW_TAUS_S))


def variance_of(contrasts: FloatArray, covariance: FloatArray) -> FloatArray:
    """Return the variance (r,) of contrasts (r, bins) of noise with a (bins, bins) covariance."""
    out: FloatArray = np.einsum("rb,rb->r", contrasts @ covariance, contrasts)
    return out


def fit_amounts(
    variance: FloatArray, *, contrasts: FloatArray, components: tuple[FloatArray, ...]
) -> FloatArray:
    """Return how much of each kind of noise explains the variance of signal-free contrasts.

    Parameters
    ----------
    variance
        (r,) observed variance of each contrast over pixels.
    contrasts
        (r, bins) their weights.
    components
        From `noise_components`.

    Returns
    -------
    (1 + len(SLOW_TAUS_S),) float
        White, then slow amounts; the covariance is their sum with the components.
    """
    model = np.stack([variance_of(contrasts, c) for c in components], axis=1)
    weights = 1.0 / np.maximum(variance, 1e-3 * float(variance.max()) + 1e-30)
    amounts, _ = nnls(model * weights[:, None], variance * weights)
    if amounts[0] <= 0:
        # There is always white noise; a thousandth of what all would be keeps matrices regular.
        amounts[0] = 1e-3 * float(np.mean(variance / np.maximum(model[:, 0], 1e-30)))
    return np.asarray(amounts, dtype=np.float64)


def fit_proven_amounts(
    variance: FloatArray,
    *,
    contrasts: FloatArray,
    base: FloatArray,
    components: tuple[FloatArray, ...],
    samples: float,
) -> FloatArray:
    """Return how much of a known kind of noise, and of others as far as they are proven.

    A few samples of each variance fit almost any mixture; a kind of noise that the contrasts
    hardly hear would be given any amount. So kinds are added one at a time, the best first, while
    each raises the likelihood of the variances (gamma distributed) by more than chance would.

    Parameters
    ----------
    variance
        (r,) observed variance of each contrast.
    contrasts
        (r, bins) their weights.
    base
        (bins, bins) covariance that is there in any case, its amount free.
    components
        Further kinds of noise.
    samples
        Independent values behind each variance.

    Returns
    -------
    (1 + len(components),) float
        Amounts of the base and of each component.
    """
    model = np.stack([variance_of(contrasts, c) for c in (base, *components)], axis=1)
    floor = 1e-3 * float(variance.max()) + 1e-30

    def fitted(kinds: list[int]) -> tuple[float, FloatArray]:
        predicted = np.full(len(variance), float(np.mean(variance)) + floor)
        amounts = np.zeros(len(kinds))
        for _ in range(6):
            weights = 1.0 / np.maximum(predicted, floor)
            amounts, _ = nnls(model[:, kinds] * weights[:, None], variance * weights)
            predicted = np.maximum(model[:, kinds] @ amounts, floor)
        misfit = 0.5 * samples * float(np.sum(np.log(predicted) + variance / predicted))
        return misfit, amounts

    kinds = [0]
    misfit, amounts = fitted(kinds)
    while len(kinds) < model.shape[1]:
        trials = [(fitted([*kinds, i]), i) for i in range(1, model.shape[1]) if i not in kinds]
        (better, found), kind = min(trials, key=lambda t: t[0][0])
        if 2 * (misfit - better) < PROOF:
            break
        misfit, amounts, kinds = better, found, [*kinds, kind]
    out = np.zeros(model.shape[1])
    out[kinds] = amounts
    if out[0] <= 0:
        out[0] = 1e-3 * float(np.mean(variance / np.maximum(model[:, 0], 1e-30)))
    return out


def most_of_noise(n: int, *, samples: float) -> float:
    """Return the largest eigenvalue that noise gives a sample covariance of n unit normals.

    It tends to (1 + sqrt(n / samples))^2 (Marchenko & Pastur 1967; Johnstone 2001); half as much
    again is left to its scatter.
    """
    return float(1.5 * (1 + np.sqrt(n / samples)) ** 2)


def robust_variance(maps: NDArray[Any], *, good: NDArray[np.bool_] | None = None) -> FloatArray:
    """Return the variance of each map (r, ...) over pixels, from the median absolute deviation."""
    flat = maps.reshape(len(maps), -1)
    if good is not None:
        flat = flat[:, good.reshape(-1)]
    flat = flat[:, :: max(1, flat.shape[1] // (4 * MOST_PIXELS))]
    return np.array([robust_sigma(row) ** 2 for row in flat])
