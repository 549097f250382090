"""What switching at given edges explains of the time course of one place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.answers import Answer
from hotspot.heat.courses import Courses
from hotspot.heat.drive import drive_from_edges
from hotspot.heat.edges import Gain

# Edges of a train are tabled at this spacing, s, half of the least step they are refined by ...
TABLE_STEP_S = 0.05
# ... or at so many moments of a longer recording: about a bin apart, over which answers are smooth.
MOST_MOMENTS = 400


def build_gain(
    courses: Courses, *, place: int, answers: tuple[Answer, ...], white: FloatArray, t_s: FloatArray
) -> Gain:
    """Return the log-likelihood gain of edges at a place: the best of some answers, heating only.

    Parameters
    ----------
    courses
        In units of a pixel's noise.
    place
        Which of them.
    answers
        The family.
    white
        (bins, bins) from `hotspot.heat.response.whitening`.
    t_s
        (bins,) times.
    """
    heard = courses.values[:, :, place] @ white  # (widths, bins)
    gram = courses.gram[place]

    def gain(edges: FloatArray) -> float:
        if len(edges) == 0:
            return -np.inf
        drive = drive_from_edges(tuple(edges))
        best = -np.inf
        for answer in answers:
            r = answer.to_drive(t_s, drive)
            used = r.any(axis=1)
            r = r[used]
            products = (r @ white) @ r.T
            norm = float(np.sum(products * gram[np.ix_(used, used)]))
            best = max(best, _gain_of(float(np.sum(r * heard[used])), norm))
        return best

    return gain


@dataclass(frozen=True, slots=True, eq=False)
class TableGain:
    """The same as `build_gain` gives, for hundreds of trials of many edges.

    A drive is a sum of steps, so that what steps at two moments have in common, tabled once over
    all moments, is all there is to compute.

    Attributes
    ----------
    at_s
        (n,) moments, evenly spaced from the first bin to the last.
    own
        (answers, n) product of a step at each moment with the course.
    common
        (answers, n, n) products of the steps with one another.
    """

    at_s: FloatArray
    own: FloatArray
    common: FloatArray

    def __call__(self, edges: FloatArray) -> float:
        """Return the log-likelihood gain of switching on at edges 0, 2, ... and off at 1, 3, ..."""
        if len(edges) == 0:
            return -np.inf
        index, weight = self._steps(edges)
        b = self.own[:, index] @ weight
        n = self.common[:, index[:, None], index] @ weight @ weight
        return float(_gains_of(b, n).max())

    def best_pair(self, edges: FloatArray, *, moments: int, least_s: float) -> FloatArray:
        """Return the edges with the two more that explain most, wherever they lie.

        Between two pulses they are a pulse more, within one they are a gap.

        Parameters
        ----------
        edges
            (2n,) s, increasing; may be none.
        moments
            How many moments each of the two is tried on.
        least_s
            The two are at least this far apart.
        """
        picked = np.unique(np.linspace(0, len(self.at_s) - 1, moments).round().astype(int))
        at = self.at_s[picked]
        stretch = np.searchsorted(edges, at, side="right")
        first, second = np.triu_indices(len(picked), k=1)
        fits = (stretch[first] == stretch[second]) & (at[second] - at[first] >= least_s)
        first, second = first[fits], second[fits]
        if len(first) == 0:
            return edges
        index, weight = self._steps(edges)
        i, j = picked[first], picked[second]
        # A pulse where the output was off, a gap where it was on.
        sign = np.where(stretch[first] % 2 == 0, 1.0, -1.0)
        known = self.common[:, :, index] @ weight
        diagonal = np.diagonal(self.common, axis1=1, axis2=2)
        b = (self.own[:, index] @ weight)[:, None] + sign * (self.own[:, i] - self.own[:, j])
        n = (known[:, index] @ weight)[:, None] + 2 * sign * (known[:, i] - known[:, j])
        n += diagonal[:, i] + diagonal[:, j] - 2 * self.common[:, i, j]
        best = int(np.argmax(_gains_of(b, n).max(axis=0)))
        return np.sort(np.r_[edges, at[first[best]], at[second[best]]])

    def _steps(self, edges: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
        """Moments (m,) whose steps make the drive, and their weights, by linear interpolation."""
        spacing = self.at_s[1] - self.at_s[0]
        position = (np.asarray(edges) - self.at_s[0]) / spacing
        position = np.clip(position, 0, len(self.at_s) - 1.000001)
        left = position.astype(np.int64)
        share = position - left
        change = np.where(np.arange(len(left)) % 2 == 0, 1.0, -1.0)
        return np.r_[left, left + 1], np.r_[change * (1 - share), change * share]


def build_table_gain(
    courses: Courses, *, place: int, answers: tuple[Answer, ...], white: FloatArray, t_s: FloatArray
) -> TableGain:
    """Return the gain of edges at a place, tabled.

    Parameters
    ----------
    courses, place, answers, white, t_s
        As for `build_gain`.
    """
    first, last = float(t_s[0]), float(t_s[-1])
    count = int(np.clip((last - first) / TABLE_STEP_S, 2, MOST_MOMENTS)) + 1
    at_s = np.linspace(first, last, count)
    tables = [_table(courses, place, answer, white=white, t_s=t_s, at_s=at_s) for answer in answers]
    return TableGain(
        at_s=at_s, own=np.stack([b for b, _ in tables]), common=np.stack([n for _, n in tables])
    )


def _gains_of(b: FloatArray, norm: FloatArray) -> FloatArray:
    heard = norm > 1e-12
    return np.where(heard, 0.5 * b * np.abs(b) / np.where(heard, norm, 1.0), -np.inf)


def _gain_of(b: float, norm: float) -> float:
    return 0.5 * b * abs(b) / norm if norm > 1e-12 else -np.inf


def _table(
    courses: Courses,
    place: int,
    answer: Answer,
    *,
    white: FloatArray,
    t_s: FloatArray,
    at_s: FloatArray,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Products of steps at all moments with the course (n,) and with one another (n, n)."""
    steps = answer.to_step(t_s, at_s=at_s)  # (n, widths, bins)
    used = np.flatnonzero(steps.any(axis=(0, 2)))
    steps = steps[:, used]
    n, _, bins = steps.shape
    own = steps.reshape(n, -1) @ (white @ courses.values[used, :, place].T).T.reshape(-1)
    gram = courses.gram[place][np.ix_(used, used)]
    heard = np.einsum("wv,nvb->nwb", gram, steps, optimize=True).reshape(-1, bins) @ white
    return own, heard.reshape(n, -1) @ steps.reshape(n, -1).T
