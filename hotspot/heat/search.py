"""The search for switching: every step and every train tried on every time course.

What the search itself makes of noise is not computed but seen: the same search on time courses
from all over the picture gives the distribution of the largest score, and the chance that noise
reaches as high at a few places follows from it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.optimize import brentq
from scipy.special import log_ndtr, ndtri_exp

from hotspot.checks import FloatArray
from hotspot.heat.answers import Answer
from hotspot.heat.courses import Courses
from hotspot.heat.edges import SHORTEST_ON_S

# Switching times of a step are tried on at most this many moments.
STEP_MOMENTS = 48
# A switching that leaves less than this share of the largest energy is not told from offsets.
LEAST_ENERGY = 1e-6
# A hand cannot keep a train faster than this, and slower than this it is a step or two, s.
PERIODS_S = (2.5, 45.0)
# Frequencies are tried at this share of the resolution 1/T, so that the best lies within 6 %
# of the peak of a spectral line.
# A hand keeps time to a tenth of a cycle: of some fifteen pulses a third to nine tenths of the
# energy is in one line, six to nine tenths in three neighbouring ones.
LINES = (1, 3)
# Median of chi-squared with two degrees of freedom (any table), and frequencies over which the
# noise is averaged: three lines.
MEDIAN_OF_LINE, LEVEL_LINES = 1.386, 9
FREQUENCY_STEP = 1 / 3
# The distribution of the largest score is fitted at these shares of the control places. Heat may
# have reached a fifth of them.
LOW_SHARE, HIGH_SHARE = 0.4, 0.8
# Noise may be wider than its model by up to this factor; beyond it the controls are warm.
MOST_WIDENED = 3.0
# The smallest tail of a normal distribution that is told from none.
LEAST_TAIL = 1e-300
# A search over a few moments and response times is never less than this many independent tries,
# and a thousand steps with three response times never more than this many.
TRIALS = (4.0, 3e4)


@dataclass(frozen=True, slots=True, eq=False)
class Best:
    """The best of a search at each place.

    Attributes
    ----------
    z
        (m,) its score in standard deviations of noise.
    answer
        (m,) which of the answers it is.
    option
        (m, 2) which moments of on and off (-1: never off), or which frequency.
    """

    z: FloatArray
    answer: NDArray[np.int64]
    option: NDArray[np.int64]


def step_moments(t_s: FloatArray) -> FloatArray:
    """Return the moments at which a step is tried, s; none where there are too few bins."""
    bins = len(t_s)
    if bins < 8:
        return np.zeros(0)
    spaced = np.linspace(2, bins - 2, min(STEP_MOMENTS, bins - 4))
    return np.asarray(t_s[np.unique(np.round(spaced).astype(int))])


def best_steps(
    courses: Courses,
    *,
    answers: tuple[Answer, ...],
    moments_s: FloatArray,
    white: FloatArray,
    t_s: FloatArray,
) -> Best:
    """Return the best step at each place: on for good, or on and off; only warming counts.

    A pulse is the difference of two steps, so that all pairs of moments cost no more than the
    moments themselves.

    Parameters
    ----------
    courses
        In units of a pixel's noise.
    answers
        The family.
    moments_s
        From `step_moments`.
    white
        (bins, bins) from `hotspot.heat.response.whitening`.
    t_s
        (bins,) times.
    """
    count, places = len(moments_s), courses.values.shape[2]
    top = np.full(places, -np.inf)
    which = np.zeros(places, dtype=np.int64)
    option = np.zeros((places, 2), dtype=np.int64)
    # Where all places are looked at through the same windows, energies are one place's.
    alike = bool(np.all(courses.gram == courses.gram[:1]))
    gram = (courses.gram[:1] if alike else courses.gram).reshape(1 if alike else places, -1).T
    pairs = [(i, -1) for i in range(count)]
    pairs += [
        (i, j)
        for i in range(count)
        for j in range(i + 1, count)
        if moments_s[j] - moments_s[i] >= SHORTEST_ON_S
    ]
    on, off = np.array(pairs).T
    ever = off >= 0
    for k, answer in enumerate(answers):
        steps = answer.to_step(t_s, at_s=moments_s)
        heard = steps @ white  # (moments, widths, bins)
        signal = sum(
            heard[:, w].astype(np.float32) @ courses.values[w] for w in range(heard.shape[1])
        )
        products = np.tensordot(heard, steps, axes=(2, 2))  # (moments, widths, moments, widths)
        energy = products.transpose(0, 2, 1, 3).reshape(count * count, -1) @ gram
        energy = energy.reshape(count, count, -1)
        n = energy[on, on] + np.where(
            ever[:, None], energy[off, off] - energy[on, off] - energy[off, on], 0.0
        )
        # A step that segment offsets explain as well leaves next to nothing.
        usable = n > LEAST_ENERGY * n.max(axis=0)
        weight = np.where(usable, 1 / np.sqrt(np.maximum(n, 1e-300)), 0.0).astype(np.float32)
        z = signal[on]
        z[ever] -= signal[off[ever]]
        z *= weight
        at = np.argmax(z, axis=0)
        value = z[at, np.arange(places)]
        better = value > top
        top[better], which[better] = value[better], k
        option[better] = np.stack([on[at[better]], off[at[better]]], axis=1)
    return Best(z=top, answer=which, option=option)


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
    courses: Courses,
    *,
    answers: tuple[Answer, ...],
    frequencies: FloatArray,
    white: FloatArray,
    t_s: FloatArray,
    level: FloatArray | None = None,
) -> Best:
    """Return the best line at each place, or lines: the fundamental of a pulse train.

    Parameters
    ----------
    courses, answers, white, t_s
        As for `best_steps`.
    frequencies
        From `train_frequencies`.
    level
        From `trains_of_noise`: what noise gives there; 1 when None.
    """
    power = _power_of_lines(courses, answers=answers, frequencies=frequencies, white=white, t_s=t_s)
    if level is not None:
        power /= level[:, :, None]
    return _best_lines(power)


def trains_of_noise(
    courses: Courses,
    *,
    answers: tuple[Answer, ...],
    frequencies: FloatArray,
    white: FloatArray,
    t_s: FloatArray,
) -> tuple[Best, FloatArray]:
    """Return the best lines of noise, and the power (frequencies, answers) beyond its model.

    What wanders slowly fills the lowest lines everywhere, and must not hide the others.

    Parameters
    ----------
    courses
        At places all over the picture.
    answers, frequencies, white, t_s
        As for `best_trains`.
    """
    power = _power_of_lines(courses, answers=answers, frequencies=frequencies, white=white, t_s=t_s)
    middle = np.median(power, axis=2) / MEDIAN_OF_LINE
    level: FloatArray = np.maximum(uniform_filter1d(middle, LEVEL_LINES, axis=0), 1.0)
    power /= level[:, :, None]
    return _best_lines(power), level


def _power_of_lines(
    courses: Courses,
    *,
    answers: tuple[Answer, ...],
    frequencies: FloatArray,
    white: FloatArray,
    t_s: FloatArray,
) -> NDArray[np.float32]:
    """Power (frequencies, answers, m) of sines: chi-squared with two degrees of freedom."""
    widths, _, places = courses.values.shape
    gram = courses.gram.reshape(places, -1).T
    replies = np.stack([answer.to_sines(frequencies) for answer in answers])
    replies /= np.linalg.norm(replies, axis=2, keepdims=True)
    re, im = replies.real, replies.imag
    power = np.zeros((len(frequencies), len(answers), places), dtype=np.float32)
    for i, f in enumerate(frequencies):
        phase = 2 * np.pi * f * t_s
        pair = np.stack([np.cos(phase), np.sin(phase)])
        heard = pair @ white
        own = heard @ pair.T
        if np.linalg.cond(own) > 1e6:
            continue
        seen = np.concatenate([heard @ courses.values[w] for w in range(widths)])
        # Of exp(i w t): real and imaginary part of the replies as rows over cosine and sine.
        turn = np.array([[re[:, i], -im[:, i]], [im[:, i], re[:, i]]])  # (2, 2, answers, widths)
        b = turn.transpose(0, 2, 3, 1).reshape(2 * len(answers), -1) @ seen
        first, second = b.reshape(2, len(answers), places)
        cross = np.einsum("ijaw,jk,lkav->ilawv", turn, own, turn, optimize=True)
        aa, ab, _, bb = cross.reshape(4, len(answers), -1) @ gram
        det = np.maximum(aa * bb - ab * ab, 1e-300)
        power[i] = (bb * first**2 - 2 * ab * first * second + aa * second**2) / det
    return power


def _best_lines(power: NDArray[np.float32]) -> Best:
    """Return the best of one line, or of several together, at each place.

    Parameters
    ----------
    power
        (frequencies, answers, m) of each sine: chi-squared with two degrees of freedom.
    """
    count, _, places = power.shape
    apart = round(1 / FREQUENCY_STEP)  # lines this far apart are independent
    top = np.full(places, -np.inf)
    which, option = np.zeros(places, dtype=np.int64), np.zeros((places, 2), dtype=np.int64)
    every = np.arange(places)
    for lines in LINES:
        width = apart * (lines - 1)
        if width >= count:
            continue
        total = sum(power[j : count - width + j] for j in range(0, width + 1, apart))
        flat = np.asarray(total).reshape(-1, places)
        at = np.argmax(flat, axis=0)
        z = _as_deviate(flat[at, every], lines=lines)
        better = z > top
        frequency, answer = np.divmod(at, power.shape[1])
        top[better], which[better] = z[better], answer[better]
        option[better, 0] = frequency[better] + width // 2
    return Best(z=top, answer=which, option=option)


def _as_deviate(power: FloatArray, *, lines: int) -> FloatArray:
    """Chi-squared with 2 degrees of freedom a line, told as the normal deviate that is as rare."""
    half = 0.5 * np.maximum(power.astype(np.float64), 1e-9)
    # The tail of a sum of exponentials is a Poisson sum.
    terms = sum(half**k / math.factorial(k) for k in range(lines))
    out: FloatArray = -ndtri_exp(np.minimum(np.log(terms) - half, -1e-12))
    return out


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
        # Of places that are all hot the chance of noise is lost to rounding.
        chances = np.minimum(log_ndtr(np.array([low, high]) / widened), -LEAST_TAIL)
        at_low, at_high = np.log([LOW_SHARE, HIGH_SHARE]) / chances
        return float(at_low), float(at_high)

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
