"""When the output was switched, once more, at the place that the heat has shown.

What is seen of many places through small windows tells whether something was switched, and roughly
when. Where it is warm is then known, and there the whole picture tells the moments better: heat
that has left the window by then still says when it began and when it ended.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.answers import Answer, finer_answers
from hotspot.heat.calm import CalmBins
from hotspot.heat.drive import drive_from_edges, period_of
from hotspot.heat.gains import build_gain, build_table_gain
from hotspot.heat.looks import see_at
from hotspot.heat.pulses import find_pulses, moved_edges
from hotspot.heat.switching import SwitchingEstimate

# The noise is known, and the course is heat: how much is left beside it is no measure of the noise.
AS_THE_NOISE_SAYS = 10**9
# So many of the answers are kept, those that explain most as it stands: neighbours of the best.
ANSWERS = 6
# Edges closer than this to those known before tell the same, s.
ALIKE_S = 0.05


def seen_again(
    calm_bins: CalmBins,
    estimate: SwitchingEstimate,
    *,
    place: FloatArray,
    cov_px2: FloatArray,
    emissivity: NDArray[np.float32] | None,
    mm_per_px: float | None,
) -> tuple[SwitchingEstimate, ...]:
    """Return the switching with its edges moved to where one place insists, and as pulses anew.

    Parameters
    ----------
    calm_bins
        Drift-free bins with their noise.
    estimate
        The switching as estimated so far.
    place, cov_px2
        (2,) where it is warm, px, and (2, 2) extent of the heat.
    emissivity
        (rows, cols) how much of the heat each pixel shows, or None.
    mm_per_px
        Scale, or None.

    Returns
    -------
    tuple of SwitchingEstimate
        Empty where nothing better is seen.
    """
    seen = see_at(
        calm_bins,
        places=place[None],
        cov_px2=cov_px2[None],
        emissivity=emissivity,
        mm_per_px=mm_per_px,
        wide=True,
    )
    known = np.array(estimate.switching.edges_s)

    def explained(answer: Answer) -> float:
        of_one = build_gain(
            seen.courses, place=0, answers=(answer,), white=seen.white, t_s=seen.t_s
        )
        return of_one(known)

    every = (*seen.answers, *finer_answers(seen.answers))
    gain = build_table_gain(
        seen.courses,
        place=0,
        answers=tuple(sorted(every, key=explained, reverse=True)[:ANSWERS]),
        white=seen.white,
        t_s=seen.t_s,
    )
    before = gain(known)
    moved, _ = moved_edges(known, gain=gain)
    anew = np.array(find_pulses(gain, free=AS_THE_NOISE_SAYS))
    return tuple(
        _with_edges(estimate, edges)
        for edges in (moved, anew)
        if len(edges) and gain(edges) > before and not _alike(edges, known)
    )


def _alike(a: FloatArray, b: FloatArray) -> bool:
    return len(a) == len(b) and bool(np.all(np.abs(a - b) < ALIKE_S))


def _with_edges(estimate: SwitchingEstimate, edges: FloatArray) -> SwitchingEstimate:
    times = tuple(float(t) for t in edges)
    switching = replace(
        estimate.switching, edges_s=times, onset_s=times[0], period_s=period_of(times)
    )
    return replace(estimate, switching=switching, drive=drive_from_edges(times))
