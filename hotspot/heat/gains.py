"""What switching at given edges explains of the time course of one place."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.answers import Answer
from hotspot.heat.courses import Courses
from hotspot.heat.drive import drive_from_edges
from hotspot.heat.edges import Gain

# Edges of a train are tabled at this spacing, s, half of the least step they are refined by ...
TABLE_STEP_S = 0.05
# ... or at so many moments of a longer recording; a bin is then longer than their spacing.
MOST_MOMENTS = 800


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


def build_table_gain(
    courses: Courses, *, place: int, answers: tuple[Answer, ...], white: FloatArray, t_s: FloatArray
) -> Gain:
    """Return the same as `build_gain`, for hundreds of trials of many edges.

    A drive is a sum of steps, so that what steps at two moments have in common, tabled once over
    all moments, is all there is to compute.

    Parameters
    ----------
    courses, place, answers, white, t_s
        As for `build_gain`.
    """
    first, last = float(t_s[0]), float(t_s[-1])
    count = int(np.clip((last - first) / TABLE_STEP_S, 2, MOST_MOMENTS)) + 1
    at_s = np.linspace(first, last, count)
    tables = [_table(courses, place, answer, white=white, t_s=t_s, at_s=at_s) for answer in answers]

    def gain(edges: FloatArray) -> float:
        if len(edges) == 0:
            return -np.inf
        position = np.clip((np.asarray(edges) - first) / (at_s[1] - at_s[0]), 0, count - 1.000001)
        left = position.astype(np.int64)
        share = position - left
        index = np.concatenate([left, left + 1])
        change = np.where(np.arange(len(left)) % 2 == 0, 1.0, -1.0)
        weight = np.concatenate([change * (1 - share), change * share])
        pairs = np.ix_(index, index)
        return max(
            _gain_of(float(weight @ b[index]), float(weight @ n[pairs] @ weight)) for b, n in tables
        )

    return gain


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
