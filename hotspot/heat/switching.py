"""When the output was switched, found in the frames themselves.

A technician who switches by hand writes nothing down. The switching is then estimated: a step (on,
perhaps off again) or a pulse train, whichever explains the time course of some place best, with a
significance that accounts for everything that was tried.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

from hotspot.checks import FloatArray
from hotspot.heat.bands import remove_stripes
from hotspot.heat.drive import Drive, drive_from_edges, period_of
from hotspot.heat.edges import SHORTEST_ON_S, refine_step, refine_train
from hotspot.heat.fit import CalmBins
from hotspot.heat.heatmap import Switching
from hotspot.heat.noise import fit_temporal_noise
from hotspot.heat.response import whitening

# Response times tried for steps, s: quick part, usual part, board.
STEP_TAUS_S = (0.5, 3.0, 15.0)
# A hand cannot keep a train faster than this, and slower than this it is a step or two, s.
PERIODS_S = (2.5, 45.0)
# Frequencies are tried at this share of the resolution 1/T, so that the best lies within 6 %
# of the peak of a spectral line.
FREQUENCY_STEP = 0.4
# Switching times of a step are tried on at most this many places.
STEP_PLACES = 40
# A place is looked at through a Gaussian of this width, px: a warm spot with its surroundings.
PLACE_SIGMA_PX = 1.6
# At most this many places are followed in the picture-wide search.
MOST_PLACES = 6000
# Widths of the windows at the places of parts, px: a sharp spot and a spread one.
NEAR_SIGMAS_PX = (1.2, 2.4)
# The level of the noise is read at this many places spread over the picture.
LEVEL_PLACES = 500
# Switching found is believed below this chance.
BELIEVE = 0.03
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
        Effective number of switchings tried: what a false-alarm probability must be multiplied by.
    """

    switching: Switching
    drive: Drive
    trials: float


def estimate_switching(
    calm_bins: CalmBins, *, frame_t_s: FloatArray, places: FloatArray | None = None
) -> SwitchingEstimate:
    """Estimate when the output was switched.

    Parameters
    ----------
    calm_bins
        Drift-free bins with their noise.
    frame_t_s
        (n,) frame times.
    places
        (m, 2) places (x, y) in px where heat is expected (parts on the rail); they need far less
        signal than a search over the whole picture. None when not known.

    Returns
    -------
    SwitchingEstimate
        The most significant of step and train.
    """
    bins = calm_bins.bins
    best: tuple[float, tuple[float, ...], float] | None = None
    near, wide = _place_series(calm_bins, places=places)
    # Seen through the window, noise wanders more than in a pixel: measured where it is used.
    noise = fit_temporal_noise(
        wide,
        t_s=bins.t_s,
        frames=bins.frames,
        segment=bins.segment,
        good=np.ones(wide.shape[1], dtype=bool),
    )
    white = whitening(noise.covariance(bins.t_s, frames=bins.frames), segment=bins.segment)
    # What noise does is told by the whole picture: of a few places, most may be warm.
    free = len(bins.t_s) - len(np.unique(bins.segment))
    typical = max(float(np.median(_power(wide, white=white, free=free))), 1e-12)
    standard = _standardised(wide, white=white, free=free, typical=typical)
    quiet = standard[:, :: max(1, standard.shape[1] // LEVEL_PLACES)]
    for series, handicap in ((near, 1.0), (wide, WIDE_HANDICAP)):
        if series.shape[1] == 0:
            continue
        standard = _standardised(series, white=white, free=free, typical=typical)
        for found in (
            _find_train(standard, quiet=quiet, white=white, t_s=bins.t_s),
            _find_step(standard, quiet=quiet, white=white, t_s=bins.t_s),
        ):
            if found is None:
                continue
            chance = min(1.0, handicap * found[0])
            if best is None or chance < best[0]:
                best = (chance, found[1], found[2])
    none = SwitchingEstimate(
        switching=Switching(source="estimated", significance=1.0),
        drive=Drive(t_s=np.zeros(0), level=np.zeros(0)),
        trials=1.0,
    )
    if best is None or best[0] > BELIEVE:
        return none
    significance, edges, trials = best
    switching = Switching(
        source="estimated",
        edges_s=edges,
        onset_s=edges[0],
        period_s=period_of(edges),
        significance=significance,
    )
    return SwitchingEstimate(switching=switching, drive=drive_from_edges(edges), trials=trials)


def _place_series(
    calm_bins: CalmBins, *, places: FloatArray | None
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Time courses (bins, m) seen through Gaussian windows: at the places, and picture-wide."""
    bins = calm_bins.bins
    rows, cols = bins.shape
    bad = calm_bins.bad
    step = max(2, int(np.ceil(np.sqrt(rows * cols / MOST_PLACES))))
    at = np.zeros((0, 2), dtype=int)
    if places is not None and len(places):
        at = np.round(places).astype(int)
        at = at[(at >= 0).all(axis=1) & (at[:, 0] < cols) & (at[:, 1] < rows)]
    wide: list[NDArray[np.float32]] = []
    near: list[list[NDArray[np.float32]]] = [[] for _ in NEAR_SIGMAS_PX]
    # Noise of a weighted mean goes with the sum of the squared weights, a Gaussian narrower by
    # sqrt 2: where the window is cut (border, bad pixels), more noise must not look like heat.
    good = (~bad).astype(np.float32)
    noise = {
        s: np.sqrt(gaussian_filter(good, s / np.sqrt(2), mode="constant"))
        for s in (*NEAR_SIGMAS_PX, PLACE_SIGMA_PX)
    }
    for picture in bins.values.reshape(-1, rows, cols):
        clean = remove_stripes(np.where(bad, np.float32(0), picture)[None])[0]
        # What the wider surroundings do is left over drift, or heat that is easier seen here.
        around = cv2.GaussianBlur(clean, (0, 0), 6 * PLACE_SIGMA_PX)
        smooth = _window(clean, PLACE_SIGMA_PX, noise) - around
        wide.append(smooth[::step, ::step].reshape(-1))
        for i, sigma in enumerate(NEAR_SIGMAS_PX if len(at) else ()):
            near[i].append((_window(clean, sigma, noise) - around)[at[:, 1], at[:, 0]])
    far = np.stack(wide)
    close = [_levelled(np.stack(n)) for n in near if n]
    return (
        np.concatenate(close, axis=1) if close else np.zeros((len(far), 0), dtype=np.float32),
        _levelled(far),
    )


def _window(
    clean: NDArray[np.float32], sigma: float, noise: dict[float, NDArray[np.float32]]
) -> NDArray[np.float32]:
    smooth = cv2.GaussianBlur(clean, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(smooth / np.maximum(noise[sigma], 0.2), dtype=np.float32)


def _levelled(series: NDArray[np.float32]) -> NDArray[np.float32]:
    """Time courses about their mean, in units of the typical change from bin to bin."""
    change = 1.4826 * float(np.median(np.abs(np.diff(series, axis=0)))) + 1e-12
    out: NDArray[np.float32] = ((series - series.mean(axis=0)) / change).astype(np.float32)
    return out


def _power(series: NDArray[np.float32], *, white: FloatArray, free: int) -> FloatArray:
    """Whitened power of each time course per degree of freedom; 1 for noise as measured."""
    out: FloatArray = np.einsum("bs,bs->s", series, white @ series) / max(1, free)
    return out


def _standardised(
    series: NDArray[np.float32], *, white: FloatArray, free: int, typical: float
) -> NDArray[np.float32]:
    """Time courses divided by their own restlessness where it exceeds the typical.

    A place that does anything but follow the noise model (a blinking pixel, a mirrored hand) is
    judged by its own scatter: Student's t in place of the normal.
    """
    own = np.maximum(_power(series, white=white, free=free), typical)
    out: NDArray[np.float32] = (series / np.sqrt(own)).astype(np.float32)
    return out


def _find_train(
    series: NDArray[np.float32],
    *,
    quiet: NDArray[np.float32],
    white: FloatArray,
    t_s: FloatArray,
) -> tuple[float, tuple[float, ...], float] | None:
    length = float(t_s[-1] - t_s[0])
    spacing = float(np.median(np.diff(t_s)))
    shortest = max(PERIODS_S[0], 3 * spacing)
    longest = min(PERIODS_S[1], length / 2.5)
    if longest <= shortest:
        return None
    count = int((1 / shortest - 1 / longest) * length / FREQUENCY_STEP) + 1
    grid = np.linspace(1 / longest, 1 / shortest, max(2, count))
    whitened, whitened_quiet = white @ series, white @ quiet
    best_power, best_f, best_place = 0.0, 0.0, 0
    for f in grid:
        phase = 2 * np.pi * f * t_s
        pair = np.stack([np.cos(phase), np.sin(phase)])
        gram = pair @ white @ pair.T
        if np.linalg.cond(gram) > 1e6:
            continue
        b = pair @ whitened
        power = np.einsum("is,is->s", b, np.linalg.solve(gram, b))
        still = pair @ whitened_quiet
        level = _level(np.einsum("is,is->s", still, np.linalg.solve(gram, still)), dof=2)
        power = power / level
        place = int(np.argmax(power))
        if power[place] > best_power:
            best_power, best_f, best_place = float(power[place]), float(f), place
    if best_f == 0:
        return None
    places = _independent_places(series.shape[1])
    trials = count * 1.5
    chance = -np.expm1(-trials * places * np.exp(-0.5 * best_power))
    if chance > 20 * BELIEVE:
        return None
    course = series[:, best_place]
    return float(chance), refine_train(course, white=white, t_s=t_s, frequency=best_f), trials


def _level(power: FloatArray, *, dof: int) -> float:
    """Noise level of chi-squared power over places, robust against a few warm ones; >= 1."""
    middle = {1: 0.4549364, 2: 1.3862944}[dof]
    return max(1.0, float(np.median(power)) / middle)


def _independent_places(count: int) -> float:
    """Places closer than the window see the same noise."""
    return max(1.0, float(count))


def _find_step(
    series: NDArray[np.float32],
    *,
    quiet: NDArray[np.float32],
    white: FloatArray,
    t_s: FloatArray,
) -> tuple[float, tuple[float, ...], float] | None:
    bins = len(t_s)
    places_t = np.unique(np.round(np.linspace(2, bins - 2, min(STEP_PLACES, bins - 4))).astype(int))
    if len(places_t) < 3:
        return None
    whitened, whitened_quiet = white @ series, white @ quiet
    options: list[tuple[float, ...]] = []
    for a, i in enumerate(places_t):
        options.append((t_s[i],))
        options += [(t_s[i], t_s[j]) for j in places_t[a + 1 :] if t_s[j] - t_s[i] >= SHORTEST_ON_S]
    best_z, best_option, best_place = 0.0, options[0], 0
    for tau in STEP_TAUS_S:
        r = np.stack([drive_from_edges(o).lowpass(t_s, tau_s=tau) for o in options])
        norm = np.sqrt(np.einsum("ob,ob->o", r @ white, r))
        usable = norm > 1e-6 * norm.max()
        z = np.zeros((len(options), series.shape[1]), dtype=np.float32)
        z[usable] = (r[usable] / norm[usable, None]) @ whitened
        for o in np.flatnonzero(usable):
            top = int(np.argmax(z[o]))
            if z[o, top] > best_z:
                still = r[o] / norm[o] @ whitened_quiet
                level = np.sqrt(_level(still.astype(float) ** 2, dof=1))
                value = float(z[o, top]) / max(level, 1e-6)
                if value > best_z:
                    best_z, best_option, best_place = value, options[o], top
    # Neighbouring switching times and response times see nearly the same noise: about half of the
    # on-times and off-times count as independent (in 60 recordings of noise so the chance came out
    # uniform; with a third it was twice too small).
    trials = max(1.0, (len(places_t) / 2) ** 2 / 2)
    places = _independent_places(series.shape[1])
    chance = -np.expm1(-trials * places * ndtr(-best_z)) if best_z < 37 else 0.0
    if chance > 20 * BELIEVE:
        return None
    course = series[:, best_place]
    edges = refine_step(np.array(best_option), course=course, white=white, t_s=t_s)
    return float(chance), edges, trials
