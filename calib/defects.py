"""Bad, noisy and blinking pixels, with a stated rate of false alarms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from calib.frames import FrameStack
from hotspot.checks import FloatArray

# Chance that a camera without any bad pixel has one listed, whole picture and all tests together.
FALSE_ALARM = 0.01
# Tests: fixed offset, noise from frame to frame, from block to block, jumps, standing still.
_TESTS = 5
# Neighbourhood that says what is usual here: 81 pixels, so that its own scatter (√(π/2/81) = 14 %
# of a pixel's) hardly counts.
_AROUND = 9
# Frames averaged for the slow test: blinking within a few frames and wandering show in between.
_BLOCK = 8
# With fewer independent differences the tail of chi-square says too little.
_FEWEST_DIFFERENCES = 6
# Beyond this the noise differs so much from pixel to pixel that hardly any counts as odd.
_MOST_WIDER = 6.0
# A camera with more dead pixels than this is not sold; more pixels without change are rounding.
_ROUNDED = 0.01
# Steps of the scale beyond so many standard deviations of the noise let good pixels stand still.
_STILL = 2.0
# The neighbours' median of the largest step is itself good to 14 % of its scatter (some 14 % of
# it), and normal tails are the best case: 10 % more asks for clear jumps.
_SLACK = 1.1
MAD_TO_SIGMA = 1.482602218505602  # 1 / Phi^-1(0.75)


@dataclass(frozen=True, slots=True, eq=False)
class Defects:
    """Pixels that are not to be trusted, by what is wrong with them.

    Attributes
    ----------
    offset
        (rows, cols) bool: far from its neighbours.
    noisy
        Noisier than its neighbours from frame to frame.
    blinking
        Wandering or jumping more than its neighbours.
    dead
        Standing still.
    known
        Bad already by the profile, clipped or missing.
    """

    offset: NDArray[np.bool_]
    noisy: NDArray[np.bool_]
    blinking: NDArray[np.bool_]
    dead: NDArray[np.bool_]
    known: NDArray[np.bool_]

    @property
    def good(self) -> NDArray[np.bool_]:
        """(rows, cols) bool, True at pixels without a defect."""
        out: NDArray[np.bool_] = ~(
            self.offset | self.noisy | self.blinking | self.dead | self.known
        )
        return out

    @property
    def counts(self) -> dict[str, int]:
        """How many of each kind; a pixel may be of several."""
        names = ("offset", "noisy", "blinking", "dead", "known")
        return {n: int(np.count_nonzero(getattr(self, n))) for n in names}

    @property
    def bad_pixels(self) -> tuple[tuple[int, int], ...]:
        """(x, y) of every pixel with a defect, as a profile lists them."""
        return tuple((int(x), int(y)) for y, x in np.argwhere(~self.good))

    def merged(self, other: Defects) -> Defects:
        """Return what is wrong in either."""
        return Defects(
            self.offset | other.offset,
            self.noisy | other.noisy,
            self.blinking | other.blinking,
            self.dead | other.dead,
            self.known | other.known,
        )


def find_defects(stack: FrameStack, *, false_alarm: float = FALSE_ALARM) -> Defects:
    """Return the bad pixels of a uniform scene.

    Parameters
    ----------
    stack
        Frames of a uniform scene.
    false_alarm
        Chance that any good pixel of the picture is listed.

    Notes
    -----
    Each test gets an equal part of `false_alarm`, shared out over the pixels (Bonferroni).
    Variances come from differences of separate pairs of frames (or of means of 8 frames), which
    are independent, so that their sum is chi-square, widened where the middle half of the pixels
    differ by more than that; what is usual is the median of 81 neighbours.
    Offsets are compared with the scatter of all pixels and taken as normal.
    """
    values = stack.values
    share = false_alarm / _TESTS / values[0].size
    noisy, dead = _odd_variances(values, share)
    blocks = len(values) // _BLOCK
    means = values[: blocks * _BLOCK].reshape(blocks, _BLOCK, *values.shape[1:]).mean(axis=1)
    blinking, _ = _odd_variances(means, share)
    blinking |= _jumps(values, share)
    known = ~stack.good  # filled by the reader: no test says anything about them
    return Defects(
        offset=_odd_offsets(stack.mean, share, step=_rounding_step(values[0])) & ~known,
        noisy=noisy & ~known,
        blinking=blinking & ~noisy & ~known,
        dead=dead & ~known,
        known=known,
    )


def _odd_variances(
    values: NDArray[np.float32], share: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return where pairs of frames differ too much, and where too little."""
    pairs = len(values) // 2
    nothing = np.zeros(values.shape[1:], bool)
    if pairs < _FEWEST_DIFFERENCES:
        return nothing, nothing
    difference = values[1 : 2 * pairs : 2] - values[0 : 2 * pairs : 2]
    level = np.median(difference.reshape(pairs, -1), axis=1)
    total = np.square(difference - level[:, None, None], dtype=np.float32).sum(axis=0)
    usual = ndimage.median_filter(total, _AROUND, mode="reflect") / _chi_median(pairs)
    # Rounded more coarsely than the noise, many good pixels never change: nothing can be said.
    if not np.any(usual > 0) or np.mean(total == 0) > _ROUNDED:
        return nothing, nothing
    ratio = total / np.maximum(usual, 1e-3 * float(usual.max()))
    # The neighbourhood's own scatter widens the tail: 14 % of a pixel's standard deviation.
    slack = 1 + 3 * np.sqrt(np.pi / 2) / _AROUND * np.sqrt(2 / pairs)
    middle = _chi_median(pairs)
    wider = _overdispersion(ratio, pairs)
    high = middle * (float(stats.chi2.isf(share, pairs)) * slack / middle) ** wider
    low = middle * (float(stats.chi2.ppf(share, pairs)) / slack / middle) ** wider
    noisy: NDArray[np.bool_] = ratio > high
    dead: NDArray[np.bool_] = ratio < low
    noise = float(np.sqrt(np.median(total) / (2 * pairs)))
    if _rounding_step(values[0]) > _STILL * noise:
        dead = nothing
    return noisy, dead


def _jumps(values: NDArray[np.float32], share: float) -> NDArray[np.bool_]:
    """Return where a pixel's largest step between frames stands far above its neighbours'.

    The largest of k normal steps has the quantile q where Φ(-x) = (1 - q^(1/k)) / 2; the tail is
    widened as in `_odd_variances`, since real steps are not normal.
    """
    n = len(values)
    nothing = np.zeros(values.shape[1:], bool)
    if n // 2 < _FEWEST_DIFFERENCES:
        return nothing
    largest = np.zeros(values.shape[1:], np.float32)
    for k in range(1, n):
        step = values[k] - values[k - 1]
        np.maximum(largest, np.abs(step - np.median(step)), out=largest)
    usual = ndimage.median_filter(largest, _AROUND, mode="reflect")
    # Rounding makes steps come in whole counts: one count more is nothing.
    usual = np.maximum(usual, 2 * _rounding_step(values[0]))
    if not np.any(usual > 0):
        return nothing
    ratio = largest / np.maximum(usual, 1e-3 * float(usual.max()))
    quarter, middle, rest = (
        float(stats.norm.isf((1 - q ** (1 / (n - 1))) / 2)) for q in (0.25, 0.5, 0.75)
    )
    lower, upper = np.quantile(ratio, (0.25, 0.75))
    wider = _MOST_WIDER
    if lower > 0:
        wider = min(max(float(np.log(upper / lower) / np.log(rest / quarter)), 1.0), _MOST_WIDER)
    limit = float(stats.norm.isf(share / 2 / (n - 1))) / middle
    out: NDArray[np.bool_] = ratio > (limit * _SLACK) ** wider
    return out


def _overdispersion(ratio: FloatArray, pairs: int) -> float:
    """Return by how much more the pixels' noise differs than chi-square says, on a log scale.

    Rounding does this: a pixel whose level lies between two counts flickers, one that lies on a
    count stands still; and real sensors are not equally noisy everywhere. Tails are widened by
    the middle half of the pixels, which a few bad ones do not touch.
    """
    lower, upper = np.quantile(ratio, (0.25, 0.75))
    usual_lower, usual_upper = (float(stats.chi2.ppf(q, pairs)) for q in (0.25, 0.75))
    if lower <= 0:
        return _MOST_WIDER
    wider = float(np.log(upper / lower) / np.log(usual_upper / usual_lower))
    return min(max(wider, 1.0), _MOST_WIDER)


def _chi_median(dof: int) -> float:
    return float(stats.chi2.median(dof))


def _rounding_step(frame: NDArray[np.float32]) -> float:
    """Return the smallest difference between two values of a frame."""
    steps = np.diff(np.unique(frame))
    # Differences of a few last digits of a float32 are no steps of the camera.
    steps = steps[steps > 1e-6 * max(1.0, float(np.abs(frame).max()))]
    return float(steps.min()) if len(steps) else 0.0


def _odd_offsets(mean: FloatArray, share: float, *, step: float) -> NDArray[np.bool_]:
    local = ndimage.median_filter(mean, 5, mode="reflect")
    excess = mean - local
    # Columns and rows with an offset of their own are stripes, not bad pixels.
    excess = excess - np.median(excess, axis=0, keepdims=True)
    excess = excess - np.median(excess, axis=1, keepdims=True)
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(excess)))
    # Rounded coarsely, most pixels agree and a few are a count off: that is no defect.
    scatter = max(scatter, step / np.sqrt(12.0))
    if scatter <= 0:
        return np.zeros(mean.shape, bool)
    # MAD of M pixels is good to 1.17 / √M; three of those are added.
    limit = float(stats.norm.isf(share / 2)) * (1 + 3 * 1.17 / np.sqrt(mean.size))
    out: NDArray[np.bool_] = np.abs(excess) > limit * scatter
    return out
