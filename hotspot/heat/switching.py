"""When the output was switched, found in the frames themselves.

A technician who switches by hand writes nothing down. The switching is then estimated: a step (on,
perhaps off again) or a pulse train, whichever explains the time course of some place best, with a
significance that accounts for everything that was tried.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.answers import finer_answers
from hotspot.heat.calm import CalmBins
from hotspot.heat.courses import Courses
from hotspot.heat.drive import Drive, drive_from_edges, period_of
from hotspot.heat.edges import refine_step, refine_train
from hotspot.heat.gains import build_gain, build_table_gain
from hotspot.heat.heatmap import Switching
from hotspot.heat.looks import Seen, see_at, see_everywhere
from hotspot.heat.search import (
    Best,
    best_steps,
    best_trains,
    calibrated,
    step_moments,
    train_frequencies,
)

# Switching found is believed below this chance.
BELIEVE = 0.03
# ... and below this one it needs no further proof from the places it was found at.
CERTAIN = 0.005
# Seen at the parts with less chance than this, nothing in the wide picture can make it surer; the
# wide search costs as much time again.
BEYOND_DOUBT = 1e-9
# Picture-wide, thousands of places include some that misbehave in ways no model has: their word
# counts this much less than that of the parts on the rail.
WIDE_HANDICAP = 30.0
# Steps seen at this many places are proposed at most, unlike in their moments by more than the
# second figure, of the moments tried: neighbours of a warm part tell of the same switching.
MOST_STEPS, ALIKE_MOMENTS = 3, 2


@dataclass(frozen=True, slots=True, eq=False)
class SwitchingEstimate:
    """Switching found in the frames.

    Attributes
    ----------
    switching
        Edges and significance; without edges when none was found.
    drive
        The drive, empty when none was found.
    trials
        Effective number of switchings tried: what a false-alarm probability must be multiplied
        by. 1 where the significance alone is proof enough.
    """

    switching: Switching
    drive: Drive
    trials: float


def propose_switchings(
    calm_bins: CalmBins,
    *,
    places: FloatArray | None = None,
    place_cov_px2: FloatArray | None = None,
    emissivity: NDArray[np.float32] | None = None,
    mm_per_px: float | None = None,
) -> tuple[SwitchingEstimate, ...]:
    """Return when the output may have been switched, as far as the frames tell.

    What switches with the output is not the only thing that changes in a picture: a draught may
    look surer than a weak short. Which of several explanations holds, the heat itself must tell.

    Parameters
    ----------
    calm_bins
        Drift-free bins with their noise.
    places
        (m, 2) places (x, y) in px where heat is expected (parts on the rail); they need far less
        signal than a search over the whole picture. None when not known.
    place_cov_px2
        (m, 2, 2) extent of the heat at each: optics, body, error of the registration; a sharp
        spot's when None.
    emissivity
        (rows, cols) how much of the heat each pixel shows, or None.
    mm_per_px
        Scale, or None.

    Returns
    -------
    tuple of SwitchingEstimate
        The most significant first: steps seen at different places, and trains. One without edges
        where none was found.
    """
    found = []
    if places is not None and len(places):
        cov = np.broadcast_to(np.eye(2), (len(places), 2, 2))
        found += _search(
            see_at(
                calm_bins,
                places=places,
                cov_px2=cov if place_cov_px2 is None else place_cov_px2,
                emissivity=emissivity,
                mm_per_px=mm_per_px,
            ),
            handicap=1.0,
            most_steps=MOST_STEPS,
        )
    if min((f[0] for f in found), default=1.0) > BEYOND_DOUBT:
        found += _search(see_everywhere(calm_bins), handicap=WIDE_HANDICAP, most_steps=1)
    else:
        found = [min(found, key=lambda f: f[0])]
    believed = sorted((f for f in found if f[0] <= BELIEVE), key=lambda f: f[0])
    if not believed:
        nothing = SwitchingEstimate(
            switching=Switching(source="estimated", significance=1.0),
            drive=Drive(t_s=np.zeros(0), level=np.zeros(0)),
            trials=1.0,
        )
        return (nothing,)
    return tuple(
        SwitchingEstimate(
            switching=Switching(
                source="estimated",
                edges_s=edges,
                onset_s=edges[0],
                period_s=period_of(edges),
                significance=significance,
            ),
            drive=drive_from_edges(edges),
            trials=1.0 if significance < CERTAIN else trials,
        )
        for significance, edges, trials in believed
    )


def _search(
    seen: Seen, *, handicap: float, most_steps: int
) -> list[tuple[float, tuple[float, ...], float]]:
    """Return chance, edges and trials of the best steps and of the best train, where there are."""
    found = []
    first, last = float(seen.t_s[0]), float(seen.t_s[-1])
    moments = step_moments(seen.t_s)
    if len(moments) > 2:

        def steps(courses: Courses) -> Best:
            return best_steps(
                courses, answers=seen.answers, moments_s=moments, white=seen.white, t_s=seen.t_s
            )

        best, calibration = steps(seen.courses), calibrated(steps(seen.controls).z)
        for place in _unlike(best, most=most_steps):
            chance = calibration.chance(float(best.z[place]), places=len(best.z))
            if handicap * chance >= BELIEVE:
                break
            on_off = moments[[i for i in best.option[place] if i >= 0]]
            gain = build_gain(
                seen.courses,
                place=place,
                answers=(*seen.answers, *finer_answers(seen.answers)),
                white=seen.white,
                t_s=seen.t_s,
            )
            edges = refine_step(on_off, gain=gain, first_s=first, last_s=last)
            found.append((handicap * chance, edges, calibration.trials))
    frequencies = train_frequencies(seen.t_s)
    if len(frequencies):

        def trains(courses: Courses) -> Best:
            return best_trains(
                courses,
                answers=seen.answers,
                frequencies=frequencies,
                white=seen.white,
                t_s=seen.t_s,
            )

        best, calibration = trains(seen.courses), calibrated(trains(seen.controls).z)
        place = int(np.argmax(best.z))
        chance = calibration.chance(float(best.z[place]), places=len(best.z))
        if handicap * chance < BELIEVE:
            gain = build_table_gain(
                seen.courses,
                place=place,
                answers=(seen.answers[best.answer[place]], *finer_answers(seen.answers)),
                white=seen.white,
                t_s=seen.t_s,
            )
            frequency = float(frequencies[best.option[place, 0]])
            edges = refine_train(gain, first_s=first, last_s=last, frequency=frequency)
            found.append((handicap * chance, edges, calibration.trials))
    return found


def _unlike(best: Best, *, most: int) -> list[int]:
    """Return the places of the best steps, those left out that tell of the same moments."""
    chosen: list[int] = []
    for place in np.argsort(-best.z):
        options = best.option[place]
        alike = [
            np.all((options < 0) == (best.option[c] < 0))
            and np.abs(options - best.option[c]).max() <= ALIKE_MOMENTS
            for c in chosen
        ]
        if not any(alike):
            chosen.append(int(place))
        if len(chosen) == most:
            break
    return chosen
