"""Steps and trains that explain what places show, each with the chance that noise does as well."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hotspot.checks import FloatArray
from hotspot.heat.answers import finer_answers
from hotspot.heat.courses import Courses
from hotspot.heat.edges import refine_step, refine_train
from hotspot.heat.gains import TableGain, build_gain, build_table_gain
from hotspot.heat.looks import Seen
from hotspot.heat.pulses import find_pulses
from hotspot.heat.search import (
    TRIALS,
    Best,
    best_steps,
    best_trains,
    calibrated,
    step_moments,
    train_frequencies,
    trains_of_noise,
)

# Steps unlike in their moments by more than this, of the moments tried, are two: neighbours of a
# warm part tell of the same switching.
ALIKE_MOMENTS = 2
# A place that changes this many times as much as the picture usually does is hot without doubt; a
# warm hand in bare metal reached 25 (`tests.benchmarks.exam`). It needs no comparison with places
# that its own heat has reached, which on a small board are all.
LOUD = 30.0
# Where the courses of what moved are taken out, so is most of a hand, and this factor suffices: of
# some 230 boards with nothing shorted under hands, draughts and shutters one reached 7.5, the next
# 6.2; strong heat under a hand in bare metal has 45 there, where it has 12 with the hand.
LOUD_AT_REST = 15.0
# Where heat reaches the whole of a small board, no place changes LOUD times as much as the picture
# does. From this factor on, though, a place that follows a train of so many pulses is believed as
# well: what comes and goes by itself keeps no time (of hands in bare metal a train explained an
# eighth at most, of heat a half). So is one of which a few pulses, at whatever times, explain
# nearly everything, for a hand that comes and goes does not warm and cool as a body does: of
# wandering pads they explained 0.11, 0.11, 0.38, 0.52 and 0.68, of heat 0.79 and more (of some 40
# places all but four, which are LOUD). A single visit of a hand is much like a single pulse.
HEARD, FEWEST_PULSES, FEWEST_FREE, NEARLY_ALL = 5.0, 4, 3, 0.75
# A train must be this sure by itself: moving each of its dozens of edges a little gains 0.3 nats of
# noise an edge, and what was surely noise then stands seven sigma above it.
MOST_TRAIN_CHANCE = 0.03
# Switching explains this share of what such a place does: the rest is what it has stored.
LEAST_EXPLAINED = 0.25


@dataclass(frozen=True, slots=True)
class Proposal:
    """A switching: the chance that it explains noise, its edges, how many were tried."""

    chance: float
    edges_s: tuple[float, ...]
    trials: float


def find_proposals(seen: Seen, *, handicap: float, most: int, limit: float) -> list[Proposal]:
    """Return the best steps and the best trains, as far as chance hardly makes them.

    Parameters
    ----------
    seen
        What places show.
    handicap
        Factor on every chance.
    most
        Steps seen at this many places are proposed at most, and so many trains.
    limit
        Largest chance.
    """
    found = []
    moments = step_moments(seen.t_s)
    if len(moments) > 2:
        best = _steps(seen, seen.courses, moments)
        calibration = calibrated(_steps(seen, seen.controls, moments).z)
        for place in _unlike(best, most=most):
            chance = handicap * calibration.chance(float(best.z[place]), places=len(best.z))
            if chance >= limit:
                break
            edges = _step_edges(seen, best, place, moments)
            # What is surely a step may be the surest of several pulses.
            edges = find_pulses(_table_gain(seen, best, place), free=len(seen.t_s) - 2, start=edges)
            found.append(Proposal(chance, edges, calibration.trials))
    frequencies = train_frequencies(seen.t_s)
    if len(frequencies):
        of_noise, level = trains_of_noise(
            seen.controls,
            answers=seen.answers,
            frequencies=frequencies,
            white=seen.white,
            t_s=seen.t_s,
        )
        best = _trains(seen, seen.courses, frequencies, level)
        calibration = calibrated(of_noise.z)
        for place in _unlike(best, most=most):
            chance = handicap * calibration.chance(float(best.z[place]), places=len(best.z))
            if chance >= min(limit, MOST_TRAIN_CHANCE):
                break
            edges = _train_edges(seen, best, place, frequencies)
            found.append(Proposal(chance, edges, calibration.trials))
    return found


def find_loudest(seen: Seen, *, at_rest: bool = False) -> list[Proposal]:
    """Return what explains the loudest place, where one is loud.

    The chance is that of so large a share explained of a course that follows the noise model
    (F test), tried as often as a search is at most.

    Parameters
    ----------
    seen
        What places show.
    at_rest
        Whether what moved is taken out of it.
    """
    loud, heard = (LOUD_AT_REST, LOUD_AT_REST) if at_rest else (LOUD, HEARD)
    loudest = int(np.argmax(seen.loudness))
    loudness = float(seen.loudness[loudest])
    if loudness < heard:
        return []
    alone = replace(seen, courses=seen.courses.at(slice(loudest, loudest + 1)))
    moments, frequencies = step_moments(seen.t_s), train_frequencies(seen.t_s)
    if len(moments) <= 2:
        return []
    step = _steps(alone, alone.courses, moments)
    pulses = _pulses(alone, step)
    found = []
    if pulses is not None and (loudness >= loud or pulses.are_heat):
        found.append(Proposal(pulses.chance, pulses.edges_s, TRIALS[1]))
    if loudness >= loud:
        chance = _chance_explained(_share(step, bins=len(seen.t_s)), bins=len(seen.t_s))
        if chance is not None:
            found.append(Proposal(chance, _step_edges(alone, step, 0, moments), TRIALS[1]))
    if len(frequencies):
        best = _trains(alone, alone.courses, frequencies)
        chance = _chance_explained(_share(best, bins=len(seen.t_s)), bins=len(seen.t_s))
        edges = () if chance is None else _train_edges(alone, best, 0, frequencies)
        if chance is not None and (loudness >= loud or len(edges) >= 2 * FEWEST_PULSES):
            found.append(Proposal(chance, edges, TRIALS[1]))
    return found


@dataclass(frozen=True, slots=True)
class _Pulses:
    """Pulses that keep no time: edges, share explained, chance that noise is explained so well."""

    edges_s: tuple[float, ...]
    share: float
    chance: float

    @property
    def are_heat(self) -> bool:
        """Whether no hand does the same."""
        return self.share >= NEARLY_ALL and len(self.edges_s) >= 2 * FEWEST_FREE - 1


def _pulses(alone: Seen, step: Best) -> _Pulses | None:
    bins = len(alone.t_s)
    gain = _table_gain(alone, step, 0)
    edges = find_pulses(gain, free=bins - 2)
    if not edges:
        return None
    share = 2 * gain(np.array(edges)) / (bins - 2)
    chance = _chance_explained(share, bins=bins, searches=(len(edges) + 1) // 2)
    return None if chance is None else _Pulses(edges, share, chance)


def _share(best: Best, *, bins: int) -> float:
    return max(float(best.z[0]), 0.0) ** 2 / (bins - 2)


def _chance_explained(share: float, *, bins: int, searches: int = 1) -> float | None:
    if share < LEAST_EXPLAINED:
        return None
    log = 0.5 * (bins - 2) * np.log1p(-min(share, 1.0 - 1e-9)) + searches * np.log(TRIALS[1])
    return float(np.exp(min(log, 0.0)))


def _steps(seen: Seen, courses: Courses, moments: FloatArray) -> Best:
    return best_steps(
        courses, answers=seen.answers, moments_s=moments, white=seen.white, t_s=seen.t_s
    )


def _step_edges(seen: Seen, best: Best, place: int, moments: FloatArray) -> tuple[float, ...]:
    gain = build_gain(
        seen.courses,
        place=place,
        answers=(*seen.answers, *finer_answers(seen.answers)),
        white=seen.white,
        t_s=seen.t_s,
    )
    on_off = moments[[i for i in best.option[place] if i >= 0]]
    return refine_step(on_off, gain=gain, first_s=float(seen.t_s[0]), last_s=float(seen.t_s[-1]))


def _trains(
    seen: Seen, courses: Courses, frequencies: FloatArray, level: FloatArray | None = None
) -> Best:
    return best_trains(
        courses,
        answers=seen.answers,
        frequencies=frequencies,
        white=seen.white,
        t_s=seen.t_s,
        level=level,
    )


def _train_edges(seen: Seen, best: Best, place: int, frequencies: FloatArray) -> tuple[float, ...]:
    return refine_train(
        _table_gain(seen, best, place),
        first_s=float(seen.t_s[0]),
        last_s=float(seen.t_s[-1]),
        frequency=float(frequencies[best.option[place, 0]]),
    )


def _table_gain(seen: Seen, best: Best, place: int) -> TableGain:
    return build_table_gain(
        seen.courses,
        place=place,
        answers=(seen.answers[best.answer[place]], *finer_answers(seen.answers)),
        white=seen.white,
        t_s=seen.t_s,
    )


def _unlike(best: Best, *, most: int) -> list[int]:
    """Return the places of the best, those left out that tell of the same moments or frequency."""
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
