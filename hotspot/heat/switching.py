"""When the output was switched, found in the frames themselves.

A technician who switches by hand writes nothing down. The switching is then estimated: a step (on,
perhaps off again) or a pulse train, whichever explains the time course of some place best, with a
significance that accounts for everything that was tried.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from hotspot.checks import FloatArray
from hotspot.heat.answers import Answer, build_answers, finer_answers
from hotspot.heat.bands import remove_stripes
from hotspot.heat.bins import BinnedFrames
from hotspot.heat.calm import CalmBins
from hotspot.heat.courses import MOST_CONTROLS, Courses, build_courses, control_places
from hotspot.heat.drive import Drive, drive_from_edges, period_of
from hotspot.heat.edges import refine_step, refine_train
from hotspot.heat.gains import build_gain, build_table_gain
from hotspot.heat.heatmap import Switching
from hotspot.heat.noise import fit_temporal_noise
from hotspot.heat.response import whitening
from hotspot.heat.search import (
    Best,
    best_steps,
    best_trains,
    calibrated,
    step_moments,
    train_frequencies,
)

# A place is looked at through a Gaussian of this width in the picture-wide search, px: a warm
# spot with its surroundings.
PLACE_SIGMA_PX = 1.6
# At most this many places are followed in the picture-wide search.
MOST_PLACES = 6000
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


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """Courses at the places looked at and at control places, and the noise over time."""

    courses: Courses
    controls: Courses
    white: FloatArray
    answers: tuple[Answer, ...]
    t_s: FloatArray


def estimate_switching(
    calm_bins: CalmBins,
    *,
    places: FloatArray | None = None,
    place_cov_px2: FloatArray | None = None,
    emissivity: NDArray[np.float32] | None = None,
    mm_per_px: float | None = None,
) -> SwitchingEstimate:
    """Estimate when the output was switched.

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
    SwitchingEstimate
        The most significant of step and train.
    """
    found = []
    if places is not None and len(places):
        cov = np.broadcast_to(np.eye(2), (len(places), 2, 2))
        found += _search(
            _seen_at(
                calm_bins,
                places=places,
                cov_px2=cov if place_cov_px2 is None else place_cov_px2,
                emissivity=emissivity,
                mm_per_px=mm_per_px,
            ),
            handicap=1.0,
        )
    if min((f[0] for f in found), default=1.0) > BEYOND_DOUBT:
        found += _search(_seen_everywhere(calm_bins), handicap=WIDE_HANDICAP)
    best = min(found, key=lambda f: f[0], default=None)
    if best is None or best[0] > BELIEVE:
        return SwitchingEstimate(
            switching=Switching(source="estimated", significance=1.0),
            drive=Drive(t_s=np.zeros(0), level=np.zeros(0)),
            trials=1.0,
        )
    significance, edges, trials = best
    switching = Switching(
        source="estimated",
        edges_s=edges,
        onset_s=edges[0],
        period_s=period_of(edges),
        significance=significance,
    )
    return SwitchingEstimate(
        switching=switching,
        drive=drive_from_edges(edges),
        trials=1.0 if significance < CERTAIN else trials,
    )


def _seen_at(
    calm_bins: CalmBins,
    *,
    places: FloatArray,
    cov_px2: FloatArray,
    emissivity: NDArray[np.float32] | None,
    mm_per_px: float | None,
) -> _Seen:
    """Gather what the places show, beside places all over the picture."""
    controls = control_places(calm_bins.bins.shape)
    usual = np.broadcast_to(np.median(cov_px2, axis=0), (len(controls), 2, 2))
    every = build_courses(
        calm_bins.bins,
        bad=calm_bins.bad,
        places=np.concatenate([places, controls]),
        place_cov_px2=np.concatenate([cov_px2, usual]),
        emissivity=emissivity,
    )
    return _made_ready(
        every.at(slice(len(places))),
        controls=every.at(slice(len(places), None)),
        answers=build_answers(mm_per_px),
        bins=calm_bins.bins,
    )


def _seen_everywhere(calm_bins: CalmBins) -> _Seen:
    """Gather what Gaussian windows all over the picture show."""
    bins = calm_bins.bins
    rows, cols = bins.shape
    bad = calm_bins.bad
    step = max(2, int(np.ceil(np.sqrt(rows * cols / MOST_PLACES))))
    # Noise of a weighted mean goes with the sum of the squared weights, a Gaussian narrower by
    # sqrt 2: where the window is cut (border, bad pixels), more noise must not look like heat.
    good = (~bad).astype(np.float32)
    noise = np.sqrt(gaussian_filter(good, PLACE_SIGMA_PX / np.sqrt(2), mode="constant"))
    wide: list[NDArray[np.float32]] = []
    for picture in bins.values.reshape(-1, rows, cols):
        clean = remove_stripes(np.where(bad, np.float32(0), picture)[None])[0]
        # What the wider surroundings do is left over drift, or heat that is easier seen here.
        around = cv2.GaussianBlur(clean, (0, 0), 6 * PLACE_SIGMA_PX)
        smooth = cv2.GaussianBlur(clean, (0, 0), PLACE_SIGMA_PX, borderType=cv2.BORDER_CONSTANT)
        smooth = smooth / np.maximum(noise, 0.2) - around
        wide.append(smooth[::step, ::step].reshape(-1))
    far = np.stack(wide).astype(np.float32)
    far -= far.mean(axis=0)
    every = Courses(values=far[None], gram=np.ones((far.shape[1], 1, 1)))
    return _made_ready(
        every,
        controls=every.at(slice(None, None, max(1, far.shape[1] // MOST_CONTROLS))),
        answers=build_answers(None, widths=1),
        bins=bins,
    )


def _made_ready(
    courses: Courses, *, controls: Courses, answers: tuple[Answer, ...], bins: BinnedFrames
) -> _Seen:
    """Courses in units of noise, measured as it is seen through these windows.

    A place that does anything but follow the noise model (a blinking pixel, a mirrored hand) is
    judged by its own scatter where that exceeds the typical: Student's t in place of the normal.
    """
    widths = range(len(courses.values))
    usual_width = len(courses.values) // 2
    still = controls.normalised(usual_width)
    change = 1.4826 * float(np.median(np.abs(np.diff(still, axis=0)))) + 1e-12
    noise = fit_temporal_noise(
        still / np.float32(change),
        t_s=bins.t_s,
        frames=bins.frames,
        segment=bins.segment,
        good=np.ones(still.shape[1], dtype=bool),
    )
    white = whitening(noise.covariance(bins.t_s, frames=bins.frames), segment=bins.segment)
    white /= change**2
    free = max(1, len(bins.t_s) - len(np.unique(bins.segment)))

    def restless(seen: Courses) -> FloatArray:
        series = [seen.normalised(w) for w in widths]
        out: FloatArray = np.stack([np.einsum("bs,bs->s", s, white @ s) / free for s in series])
        return out

    usual = restless(controls)
    typical = np.maximum(np.median(usual, axis=1, keepdims=True), 1e-12)

    def own_scatter(power: FloatArray) -> FloatArray:
        out: FloatArray = np.sqrt(np.maximum((power / typical).max(axis=0), 1.0))
        return out

    level = 1 / np.sqrt(typical[usual_width, 0])
    return _Seen(
        courses=courses.scaled(level / own_scatter(restless(courses))),
        controls=controls.scaled(level / own_scatter(usual)),
        white=white,
        answers=answers,
        t_s=bins.t_s,
    )


def _search(seen: _Seen, *, handicap: float) -> list[tuple[float, tuple[float, ...], float]]:
    """Return chance, edges and trials of the best step and of the best train, where there are."""
    found = []
    first, last = float(seen.t_s[0]), float(seen.t_s[-1])
    moments = step_moments(seen.t_s)
    if len(moments) > 2:

        def steps(courses: Courses) -> Best:
            return best_steps(
                courses, answers=seen.answers, moments_s=moments, white=seen.white, t_s=seen.t_s
            )

        best, place, trials, chance = _best_place(seen, steps, handicap=handicap)
        if chance < BELIEVE:
            on_off = moments[[i for i in best.option[place] if i >= 0]]
            gain = build_gain(
                seen.courses,
                place=place,
                answers=(*seen.answers, *finer_answers(seen.answers)),
                white=seen.white,
                t_s=seen.t_s,
            )
            found.append(
                (chance, refine_step(on_off, gain=gain, first_s=first, last_s=last), trials)
            )
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

        best, place, trials, chance = _best_place(seen, trains, handicap=handicap)
        if chance < BELIEVE:
            gain = build_table_gain(
                seen.courses,
                place=place,
                answers=(seen.answers[best.answer[place]], *finer_answers(seen.answers)),
                white=seen.white,
                t_s=seen.t_s,
            )
            frequency = float(frequencies[best.option[place, 0]])
            edges = refine_train(gain, first_s=first, last_s=last, frequency=frequency)
            found.append((chance, edges, trials))
    return found


def _best_place(
    seen: _Seen, scores: Callable[[Courses], Best], *, handicap: float
) -> tuple[Best, int, float, float]:
    """Return the scores, the place of the best, the effective trials and the chance of it."""
    own = scores(seen.courses)
    calibration = calibrated(scores(seen.controls).z)
    place = int(np.argmax(own.z))
    chance = calibration.chance(float(own.z[place]), places=len(own.z))
    return own, place, calibration.trials, min(1.0, handicap * chance)
