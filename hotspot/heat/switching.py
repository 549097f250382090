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
from hotspot.heat.bands import remove_stripes
from hotspot.heat.courses import MOST_CONTROLS, build_courses
from hotspot.heat.drive import Drive, drive_from_edges, period_of
from hotspot.heat.edges import refine_step, refine_train
from hotspot.heat.fit import CalmBins
from hotspot.heat.heatmap import Switching
from hotspot.heat.noise import fit_temporal_noise
from hotspot.heat.response import whitening
from hotspot.heat.search import (
    Best,
    Calibration,
    best_steps,
    best_trains,
    calibrated,
    step_options,
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
    """Time courses (bins, m) of one width, and the same of the control places."""

    courses: NDArray[np.float32]
    controls: NDArray[np.float32]
    white: FloatArray


def estimate_switching(
    calm_bins: CalmBins,
    *,
    places: FloatArray | None = None,
    place_cov_px2: FloatArray | None = None,
    emissivity: NDArray[np.float32] | None = None,
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

    Returns
    -------
    SwitchingEstimate
        The most significant of step and train.
    """
    bins = calm_bins.bins
    found = []
    if places is not None and len(places):
        cov = np.broadcast_to(np.eye(2), (len(places), 2, 2))
        courses = build_courses(
            bins,
            bad=calm_bins.bad,
            places=places,
            place_cov_px2=cov if place_cov_px2 is None else place_cov_px2,
            emissivity=emissivity,
        )
        near = [
            _seen(calm_bins, own, controls=controls)
            for own, controls in zip(courses.at_places, courses.at_controls, strict=True)
        ]
        found += _search(near, t_s=bins.t_s, handicap=1.0)
    everywhere = _wide_courses(calm_bins)
    some = everywhere[:, :: max(1, everywhere.shape[1] // MOST_CONTROLS)]
    found += _search(
        [_seen(calm_bins, everywhere, controls=some)], t_s=bins.t_s, handicap=WIDE_HANDICAP
    )
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


def _wide_courses(calm_bins: CalmBins) -> NDArray[np.float32]:
    """Time courses (bins, m) seen through Gaussian windows all over the picture."""
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
    return np.asarray(far - far.mean(axis=0), dtype=np.float32)


def _seen(
    calm_bins: CalmBins, courses: NDArray[np.float32], *, controls: NDArray[np.float32]
) -> _Seen:
    """Time courses made ready: noise measured as it is seen through this window.

    A place that does anything but follow the noise model (a blinking pixel, a mirrored hand) is
    judged by its own scatter where that exceeds the typical: Student's t in place of the normal.
    """
    bins = calm_bins.bins
    change = 1.4826 * float(np.median(np.abs(np.diff(controls, axis=0)))) + 1e-12
    courses, controls = courses / np.float32(change), controls / np.float32(change)
    noise = fit_temporal_noise(
        controls,
        t_s=bins.t_s,
        frames=bins.frames,
        segment=bins.segment,
        good=np.ones(controls.shape[1], dtype=bool),
    )
    white = whitening(noise.covariance(bins.t_s, frames=bins.frames), segment=bins.segment)
    free = max(1, len(bins.t_s) - len(np.unique(bins.segment)))

    def power(series: NDArray[np.float32]) -> FloatArray:
        out: FloatArray = np.einsum("bs,bs->s", series, white @ series) / free
        return out

    usual = power(controls)
    typical = max(float(np.median(usual)), 1e-12)
    return _Seen(
        courses=(courses / np.sqrt(np.maximum(power(courses), typical))).astype(np.float32),
        controls=(controls / np.sqrt(np.maximum(usual, typical))).astype(np.float32),
        white=white,
    )


def _search(
    seen: list[_Seen], *, t_s: FloatArray, handicap: float
) -> list[tuple[float, tuple[float, ...], float]]:
    """Return chance, edges and trials of the best step and of the best train, where there are."""
    found = []
    options = step_options(t_s)
    if len(options) > 2:

        def steps(series: NDArray[np.float32], white: FloatArray) -> Best:
            return best_steps(series, options=options, white=white, t_s=t_s)

        best = _best_place(seen, steps)
        chance = min(1.0, handicap * best.chance)
        if chance < BELIEVE:
            edges = refine_step(
                np.array(options[best.index]), course=best.course, white=best.white, t_s=t_s
            )
            found.append((chance, edges, best.calibration.trials))
    frequencies = train_frequencies(t_s)
    if len(frequencies):

        def trains(series: NDArray[np.float32], white: FloatArray) -> Best:
            return best_trains(series, frequencies=frequencies, white=white, t_s=t_s)

        best = _best_place(seen, trains)
        chance = min(1.0, handicap * best.chance)
        if chance < BELIEVE:
            frequency = float(frequencies[best.index])
            edges = refine_train(best.course, white=best.white, t_s=t_s, frequency=frequency)
            found.append((chance, edges, best.calibration.trials))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _BestPlace:
    chance: float
    index: int
    course: FloatArray
    white: FloatArray
    calibration: Calibration


def _best_place(
    seen: list[_Seen], scores: Callable[[NDArray[np.float32], FloatArray], Best]
) -> _BestPlace:
    """Return the place and width at which a search scores best."""
    own = [scores(s.courses, s.white) for s in seen]
    still = [scores(s.controls, s.white) for s in seen]
    calibration = calibrated(np.max([b.z for b in still], axis=0))
    z = np.stack([b.z for b in own])
    width, place = np.unravel_index(int(np.argmax(z)), z.shape)
    return _BestPlace(
        chance=calibration.chance(float(z[width, place]), places=z.shape[1]),
        index=int(own[width].index[place]),
        course=seen[width].courses[:, place],
        white=seen[width].white,
        calibration=calibration,
    )
