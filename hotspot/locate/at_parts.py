"""Faint heat at the parts of the rail: a dozen places need far less signal than fifty thousand.

How high noise reaches at a part is known twice: from theory, and from the other parts of the board,
nearly all of which are no warmer than before. They share the pads, the drift that was not quite
taken out and the noise that was not quite known, and so tell what theory cannot.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from hotspot.checks import FloatArray
from hotspot.locate.centre import measure_centre
from hotspot.locate.detect import Scores
from hotspot.locate.parts import Place, part_false_alarm
from hotspot.locate.spots import FoundSpot

# A part's heat is looked for at least this far from where the registration puts it, px.
LEAST_REACH_PX = 0.7
# Parts nearer to the strongest than this share its heat and say nothing of noise, px.
BESIDE_PX = 8.0
# From fewer parts than this the noise is not read.
FEWEST_CONTROLS = 20
# What is known of the noise at a part before any is seen: its scale is 1 to some 20 %, as far as
# drift and structure go beyond theory, and the tests a place stands for are known to a factor e.
SCALE_SPREAD, TESTS_SPREAD = 0.2, 1.0
# The largest of a family of templates over a small part behaves like a smooth field from here on;
# of 35 000 readings at capacitors of 279 boards with nothing shorted, by two generators, 0.1, 0.01
# and 0.001 exceeded what a field of this many tests does at 0.08, 0.01 and 0.001.
HIGH_SNR, USUAL_TESTS = 1.8, 0.5


@dataclass(frozen=True, slots=True)
class Reading:
    """The largest SNR at a part, and the pixel that has it."""

    place: Place
    snr: float
    row: int
    column: int


@dataclass(frozen=True, slots=True)
class PartNoise:
    """How high noise of some scale reaches at a part that stands for so many tests.

    The largest SNR over a part and the family of templates is that of a smooth field, which exceeds
    u with the chance 1 - exp(-tests u exp(-u^2 / 2)): the expected Euler characteristic of a field
    in the plane (Adler & Taylor, Random Fields and Geometry), as of a Poisson number.
    """

    scale: float
    tests: float

    def chance(self, snr: float, *, parts: int, trials: float) -> float:
        """Return the chance that noise reaches `snr` at any of some parts.

        Parameters
        ----------
        snr
            Largest SNR at a part.
        parts
            Number of parts tested.
        trials
            Switchings tried before.
        """
        expected = max(1.0, parts * trials) * self.tests * _density(snr / self.scale)
        return float(-np.expm1(-expected))


def _density(u: float) -> float:
    """Return u exp(-u^2 / 2), its largest value below 1: a level that low is always exceeded."""
    high = max(u, 1.0)
    return float(high * np.exp(-0.5 * high * high))


def read_parts(
    scores: Scores, *, places: tuple[Place, ...], allowed: NDArray[np.bool_]
) -> tuple[Reading, ...]:
    """Return the largest SNR at each of the places that lie where a spot may be found.

    Parameters
    ----------
    scores
        Of the field without the spots found before.
    places
        Parts.
    allowed
        (rows, cols) pixels in which a spot may be found.
    """
    best = scores.z.max(axis=0)
    rows, cols = allowed.shape
    out = []
    for place in places:
        spread = place.spread_px2() + LEAST_REACH_PX**2 * np.eye(2)
        reach = np.sqrt(np.diag(spread))  # of the ellipse of one sigma, along x and y
        left, top = np.maximum(np.ceil(place.xy_px - reach), 0).astype(int)
        right, bottom = np.minimum(np.floor(place.xy_px + reach) + 1, (cols, rows)).astype(int)
        if left >= right or top >= bottom:
            continue
        y, x = np.mgrid[top:bottom, left:right]
        offset = np.stack([x - place.xy_px[0], y - place.xy_px[1]])
        distance = np.einsum("iyx,ij,jyx->yx", offset, np.linalg.inv(spread), offset)
        window = (slice(top, bottom), slice(left, right))
        near = (distance < 1.0) & allowed[window]
        if not near.any():
            continue
        index = int(np.argmax(np.where(near, best[window], -np.inf)))
        row, column = divmod(index, right - left)
        snr = float(best[top + row, left + column])
        out.append(Reading(place, snr, top + row, left + column))
    return tuple(out)


def find_at_parts(
    scores: Scores,
    *,
    places: tuple[Place, ...],
    allowed: NDArray[np.bool_],
    limit: float,
    trials: float,
) -> FoundSpot | None:
    """Return the spot at the strongest of a few places, if noise there seldom reaches as high.

    Parameters
    ----------
    scores, places, allowed
        As for `read_parts`: the parts that may carry the fault.
    limit, trials
        As in `hotspot.locate.spots.find_spots`.
    """
    readings = read_parts(scores, places=places, allowed=allowed)
    if not readings:
        return None
    top = max(readings, key=lambda r: r.snr)
    chance = part_false_alarm(top.snr, parts=len(readings), trials=trials)
    return None if chance > limit else _spot(top, chance, scores)


def find_by_others(
    scores: Scores,
    *,
    places: tuple[Place, ...],
    others: tuple[Place, ...],
    allowed: NDArray[np.bool_],
    limit: float,
    trials: float,
) -> FoundSpot | None:
    """Return the spot at the strongest of a few places, if other parts seldom show as much.

    Parameters
    ----------
    scores, places, allowed
        As for `read_parts`: the parts that may carry the fault.
    others
        All other parts.
    limit, trials
        As in `hotspot.locate.spots.find_spots`.
    """
    readings = read_parts(scores, places=places, allowed=allowed)
    if not readings:
        return None
    top = max(readings, key=lambda r: r.snr)
    noise = read_part_noise(
        scores, places=(*places, *others), allowed=allowed, beside_px=(top.place.xy_px,)
    )
    if noise is None:
        return None
    chance = noise.chance(top.snr, parts=len(readings), trials=trials)
    return None if chance > limit else _spot(top, chance, scores)


def read_part_noise(
    scores: Scores,
    *,
    places: tuple[Place, ...],
    allowed: NDArray[np.bool_],
    beside_px: tuple[FloatArray, ...],
) -> PartNoise | None:
    """Return how high noise reaches at a part, None where too few parts tell.

    What cools is noise as well, wherever it is; what warms is, away from what may be heat.

    Parameters
    ----------
    scores, allowed
        As for `read_parts`.
    places
        All parts.
    beside_px
        (2,) each: where something may be warm.
    """
    away = tuple(
        place
        for place in places
        if all(np.hypot(*(place.xy_px - at)) > BESIDE_PX for at in beside_px)
    )
    cooling = replace(scores, z=-scores.z)
    warm, cool = (read_parts(s, places=away, allowed=allowed) for s in (scores, cooling))
    if len(warm) < FEWEST_CONTROLS:
        return None
    return measure_part_noise(np.array([r.snr for r in (*warm, *cool)]))


def measure_part_noise(snr: FloatArray) -> PartNoise:
    """Return how high noise reaches at a part, from parts (n,) that show nothing else.

    Largest posterior density of scale and tests, both lognormal beforehand. Only how many readings
    are high counts, and how high they are: those below are as the family and the part make them.

    Parameters
    ----------
    snr
        Largest SNR at each part.
    """
    high = snr[snr >= HIGH_SNR]
    below = len(snr) - len(high)

    def misfit(at: FloatArray) -> float:
        log_scale, log_tests = at
        u = np.maximum(high * np.exp(-log_scale), 1.0 + 1e-6)
        tests = np.exp(log_tests)
        # The density of a largest value u is tests (u^2 - 1) exp(-u^2 / 2) times the chance of none
        # above it.
        each = log_tests - log_scale + np.log(u * u - 1) - 0.5 * u * u
        each -= tests * u * np.exp(-0.5 * u * u)
        none_high = tests * _density(HIGH_SNR * float(np.exp(-log_scale)))
        prior = (log_scale / SCALE_SPREAD) ** 2
        prior += ((log_tests - np.log(USUAL_TESTS)) / TESTS_SPREAD) ** 2
        return float(0.5 * prior - np.sum(each) + below * none_high)

    start = np.array([0.0, np.log(USUAL_TESTS)])
    log_scale, log_tests = minimize(misfit, start, method="Nelder-Mead").x
    return PartNoise(scale=float(np.exp(log_scale)), tests=float(np.exp(log_tests)))


def _spot(reading: Reading, chance: float, scores: Scores) -> FoundSpot:
    centre = measure_centre(scores, row=reading.row, column=reading.column)
    return FoundSpot(centre=centre, false_alarm=chance, scores=scores)
