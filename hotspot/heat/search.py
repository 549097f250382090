"""The search for switching: every step and every train tried on every time course.

What the search itself makes of noise is not computed but seen: the same search on time courses
from all over the picture gives the distribution of the largest score, and the chance that noise
reaches as high at a few places follows from it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import log_ndtr, ndtri_exp

from hotspot.checks import FloatArray
from hotspot.heat.drive import drive_from_edges
from hotspot.heat.edges import SHORTEST_ON_S

# Response times tried for steps, s: quick part, usual part, board.
STEP_TAUS_S = (0.5, 3.0, 15.0)
# Switching times of a step are tried on at most this many moments.
STEP_MOMENTS = 40
# A hand cannot keep a train faster than this, and slower than this it is a step or two, s.
PERIODS_S = (2.5, 45.0)
# Frequencies are tried at this share of the resolution 1/T, so that the best lies within 6 %
# of the peak of a spectral line.
FREQUENCY_STEP = 0.4
# The distribution of the largest score is fitted at these shares of the control places. Heat may
# have reached a fifth of them.
LOW_SHARE, HIGH_SHARE = 0.4, 0.8
# Noise may be wider than its model by up to this factor; beyond it the controls are warm.
MOST_WIDENED = 3.0
# A search over a few moments and response times is never less than this many independent tries,
# and a thousand steps with three response times never more than this many.
TRIALS = (4.0, 3e4)


@dataclass(frozen=True, slots=True, eq=False)
class Best:
    """The best of a search on each time course.

    Attributes
    ----------
    z
        (m,) its score in standard deviations of noise.
    index
        (m,) which of the options it is.
    """

    z: FloatArray
    index: NDArray[np.int64]


def step_options(t_s: FloatArray) -> tuple[tuple[float, ...], ...]:
    """Return the switchings tried: on at one moment, on at one and off at a later one."""
    bins = len(t_s)
    if bins < 8:
        return ()
    spaced = np.linspace(2, bins - 2, min(STEP_MOMENTS, bins - 4))
    moments = np.unique(np.round(spaced).astype(int))
    options: list[tuple[float, ...]] = []
    for a, i in enumerate(moments):
        options.append((float(t_s[i]),))
        options += [
            (float(t_s[i]), float(t_s[j]))
            for j in moments[a + 1 :]
            if t_s[j] - t_s[i] >= SHORTEST_ON_S
        ]
    return tuple(options)


def best_steps(
    series: NDArray[np.float32],
    *,
    options: tuple[tuple[float, ...], ...],
    white: FloatArray,
    t_s: FloatArray,
) -> Best:
    """Return the best step of each time course (bins, m); only warming counts.

    Parameters
    ----------
    series
        (bins, m) time courses of unit noise.
    options
        From `step_options`.
    white
        (bins, bins) from `hotspot.heat.response.whitening`.
    t_s
        (bins,) times.
    """
    whitened = (white @ series).astype(np.float32)
    top = np.full(series.shape[1], -np.inf)
    index = np.zeros(series.shape[1], dtype=np.int64)
    for tau in STEP_TAUS_S:
        r = np.stack([drive_from_edges(o).lowpass(t_s, tau_s=tau) for o in options])
        norm = np.sqrt(np.maximum(np.einsum("ob,ob->o", r @ white, r), 0.0))
        usable = np.flatnonzero(norm > 1e-6 * norm.max())
        z = (r[usable] / norm[usable, None]).astype(np.float32) @ whitened
        at = np.argmax(z, axis=0)
        value = z[at, np.arange(z.shape[1])]
        better = value > top
        top[better], index[better] = value[better], usable[at[better]]
    return Best(z=top, index=index)


def train_frequencies(t_s: FloatArray) -> FloatArray:
    """Return the frequencies tried, 1/s; none where the recording is too short for a train."""
    length = float(t_s[-1] - t_s[0])
    spacing = float(np.median(np.diff(t_s)))
    shortest = max(PERIODS_S[0], 3 * spacing)
    longest = min(PERIODS_S[1], length / 2.5)
    if longest <= shortest:
        return np.zeros(0)
    count = int((1 / shortest - 1 / longest) * length / FREQUENCY_STEP) + 1
    return np.linspace(1 / longest, 1 / shortest, max(2, count))


def best_trains(
    series: NDArray[np.float32], *, frequencies: FloatArray, white: FloatArray, t_s: FloatArray
) -> Best:
    """Return the best sine of each time course: the fundamental of a pulse train.

    Parameters
    ----------
    series, white, t_s
        As for `best_steps`.
    frequencies
        From `train_frequencies`.
    """
    whitened = white @ series
    top = np.zeros(series.shape[1])
    index = np.zeros(series.shape[1], dtype=np.int64)
    for i, f in enumerate(frequencies):
        phase = 2 * np.pi * f * t_s
        pair = np.stack([np.cos(phase), np.sin(phase)])
        gram = pair @ white @ pair.T
        if np.linalg.cond(gram) > 1e6:
            continue
        b = pair @ whitened
        power = np.einsum("is,is->s", b, np.linalg.solve(gram, b))
        better = power > top
        top[better], index[better] = power[better], i
    # Chi-squared with two degrees of freedom, told as the normal deviate that is as rare.
    return Best(z=-ndtri_exp(-0.5 * np.maximum(top, 1e-9)), index=index)


@dataclass(frozen=True, slots=True)
class Calibration:
    """What a search makes of noise: the largest of `trials` deviates, each wider by `widened`."""

    trials: float
    widened: float

    def chance(self, z: float, *, places: int) -> float:
        """Return the chance that noise reaches `z` at any of so many places."""
        tests = self.trials * max(1, places)
        return float(-np.expm1(tests * log_ndtr(z / self.widened)))


def calibrated(control_z: FloatArray) -> Calibration:
    """Return what the search makes of noise, from its scores at control places.

    Two quantiles fix the number of independent tries and the width of their distribution.
    """
    low, high = np.quantile(control_z, (LOW_SHARE, HIGH_SHARE))

    def tries(widened: float) -> tuple[float, float]:
        return (
            np.log(LOW_SHARE) / float(log_ndtr(low / widened)),
            np.log(HIGH_SHARE) / float(log_ndtr(high / widened)),
        )

    def mismatch(widened: float) -> float:
        at_low, at_high = tries(widened)
        return float(np.log(at_low) - np.log(at_high))

    widened = 1.0
    if mismatch(1.0) * mismatch(MOST_WIDENED) < 0:
        widened = float(brentq(mismatch, 1.0, MOST_WIDENED))
    elif abs(mismatch(MOST_WIDENED)) < abs(mismatch(1.0)):
        widened = MOST_WIDENED
    # Where one width does not bring the two together, the larger number is on the safe side.
    trials = float(np.clip(max(tries(widened)), *TRIALS))
    return Calibration(trials=trials, widened=widened)
