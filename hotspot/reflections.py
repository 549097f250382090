"""Warm things mirrored in metal: when what looks like heat must not be given a part's name.

A hand moves, and solder and shield cans mirror it wherever it passes: many places change at once
and none of them stands out, or places all over the picture are restless at times of their own. A
short is one place, perhaps two, and follows the switching.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hotspot.checks import FloatArray
from hotspot.finding import Spot
from hotspot.heat.mirror import FEWEST_PADS, RESTLESS, count_pads
from hotspot.locate.field import Field
from hotspot.locate.spots import FoundSpot

# Spots within this share of the strongest count as its equals; three equals are not one short,
# and two shorts with the path between them are rarely so alike.
EQUAL_SHARE = 0.6
FEWEST_EQUALS = 3
# From this SNR on equals must be about as bright as well: the error of a spot's model is then
# several times the noise.
FAR_ABOVE_NOISE = 30.0
# Restless places this near to the spot may be the spot's own heat that no template has, px.
OWN_REACH_PX = 12.0
# A part named with this probability stands against equals: the part map says that one of them is
# where a part can fail.
CERTAIN = 0.9
# ... and with this one against three or more.
NO_OTHER = 0.98
# A spot whose quiet contrasts hold more than this share of its signal does not follow the
# switching: real ones, quick bodies and knocked cameras included, stayed below 0.12, what moves
# reaches 1 and more. Where something is seen to move, the limit is narrower.
MOST_MISFIT, MOST_MISFIT_MOVING = 0.3, 0.07
# Moments read off the frames are a little off, but they were chosen so that this very spot follows
# them: of a single pad that mirrors a restless room, all but 0.14 did. Real ones stayed below 0.05
# (63 recordings of two generators without a log).
MOST_MISFIT_UNLOGGED = 0.1
# Beside places that move at times of their own, a spot that follows the switching is believed from
# this SNR on: what a passing hand left alone in one place and in step with the switching reached
# 7.6 where parts were known (`tests.benchmarks.exam`, nine recordings) ...
LEAST_BESIDE = 9.0
# ... from this one on when what moved came and went, and the moments it was there are left out ...
LEAST_AFTERWARDS = 6.0
# ... and from this one on where no part map says that a part of the rail is there: it reached 12 in
# twelve made scenes (`tests/heat/test_mirror.py`, seeds 4 to 15).
LEAST_BESIDE_UNMAPPED = 20.0
# ... and where two are alike, which two shorts may be and two pads usually are, from this one on.
STRONG_BESIDE = 60.0
# The window through which that is judged, px, and its certainty in sigma of chi-squared.
REACH_PX, SPOT_SIGMA_PX, CERTAIN_SIGMAS = 12, 1.3, 5.0
# Without a log, a single injection that seems to begin with the recording is what drift looks like,
# whose steepest part is the camera's warming up: a technician starts the recording, then switches.
# In three of ten cold recordings in which something could be seen it began in the first second; no
# real one was read as beginning before 2.3 s, trains of pulses apart.
LEAST_COLD_S = 1.5
# Without a log, a spot on which no part is more probable than this is not believed: switching that
# was read off the frames may be something else's.
LEAST_UNLOGGED = 0.35
# Where the parts of the rail are known, a spot on none of them (no part more probable than the
# above) is believed from this SNR on: the weakest ones that pass the test for noise are what noise
# and nuisances make once in a few hundred recordings, and a short on the rail has a part.
LEAST_OFF_PARTS = 9.0
# What noise gives more often than this must also be well on a part of the rail, as noise hardly
# ever is, and not about as well on two. Of the 23 weakest real ones that were found 21 were.
SELDOM = 1e-5
# A path this much stronger than the rest leaves crumbs of itself that look alike.
STRONG_PATH = 3.0


@dataclass(frozen=True, slots=True)
class Mirrored:
    """Signs of something mirrored.

    Attributes
    ----------
    equals
        Spots about as strong as the strongest, itself included.
    restless
        Places that change at times of their own.
    misfit
        Largest share of what a spot does that is at times of its own, of the strongest spot and
        its equals.
    mirrored
        Spots known to move at times of their own, which the others were judged beside.
    snr
        Of the strongest spot.
    moving
        Whether something was seen to move in the mirrors, and was taken out as far as possible.
    leads
        Whether the strongest spot beside the path is the fault.
    passed
        Whether something moved at times, and these were left out.
    """

    equals: int
    restless: int
    misfit: float = 0.0
    mirrored: int = 0
    snr: float = np.inf
    moving: bool = False
    leads: bool = True
    passed: bool = False

    def forbids_a_name(
        self,
        *,
        logged: bool,
        moved: bool,
        best: float,
        mapped: bool = True,
        cold_s: float = np.inf,
        chance: float = 0.0,
    ) -> bool:
        """Return whether no part may be named.

        Parameters
        ----------
        logged
            Whether the switching was written down; switching read off the frames may be the
            hand's own coming and going.
        moved
            Whether the camera was knocked: edges of pads are then restless of themselves.
        best
            Probability of the likeliest part of the rail; 1 where no part map is known.
        mapped
            Whether a part map is known.
        cold_s
            How long the recording was cold before the (single) injection began.
        chance
            False-alarm probability of the reading.
        """
        # Places that change alike: one of two must be well on a part of the rail, one of three must
        # also be the strongest.
        if mapped and self.equals > 1 and best < CERTAIN and self.snr < STRONG_BESIDE:
            return True
        clear = self.leads and best > NO_OTHER and (logged or self.snr > LEAST_BESIDE)
        if mapped and self.equals >= FEWEST_EQUALS and not clear:
            return True
        if mapped and not logged and not self.leads:
            return True
        disturbed = self.moving or self.mirrored > 0
        if self.passed and (best < CERTAIN or self.snr < LEAST_AFTERWARDS):
            return True
        least = LEAST_BESIDE if mapped else LEAST_BESIDE_UNMAPPED
        if disturbed and (best < CERTAIN or self.snr < least):
            return True
        if disturbed and self.equals > 1 and self.snr < STRONG_BESIDE:
            return True
        if not moved and self.misfit > _most_misfit(self.moving, logged=logged):
            return True
        if best < LEAST_UNLOGGED and self.snr < LEAST_OFF_PARTS:
            return True
        if chance > SELDOM and best < CERTAIN:
            return True
        if logged:
            return False
        if cold_s < LEAST_COLD_S and self.snr < STRONG_BESIDE:
            return True
        return best < LEAST_UNLOGGED or (not moved and self.restless >= FEWEST_PADS)


def _most_misfit(moving: bool, *, logged: bool) -> float:
    if not logged:
        return MOST_MISFIT_UNLOGGED
    return MOST_MISFIT_MOVING if moving else MOST_MISFIT


def set_aside(
    found: tuple[FoundSpot, ...], *, field: Field, logged: bool, moving: bool
) -> tuple[tuple[FoundSpot, ...], tuple[FoundSpot, ...]]:
    """Return the spots that are in step with the switching, and those that are not.

    Parameters
    ----------
    found
        Spots.
    field
        Contrast maps divided by their noise.
    logged
        Whether the switching was written down.
    moving
        Whether something was seen to move in the mirrors.
    """
    most = _most_misfit(moving, logged=logged)
    in_step = [m <= most for m in measure_misfits(field, [s.centre.xy_px for s in found])]
    return (
        tuple(s for s, yes in zip(found, in_step, strict=True) if yes),
        tuple(s for s, yes in zip(found, in_step, strict=True) if not yes),
    )


def find_mirrored(
    field: Field,
    *,
    spots: tuple[Spot, ...],
    centres_px: tuple[FloatArray, ...] | None = None,
    mirrored: int = 0,
    moving: bool = False,
    passed: bool = False,
) -> Mirrored:
    """Return the signs of something mirrored in a field with its spots, strongest first.

    Parameters
    ----------
    field
        Contrast maps divided by their noise.
    spots
        The spots that may be heat.
    centres_px
        Where each was seen, when that is not where it is said to be: what is known of a part's
        place moves a spot to where its own heat may not be brightest.
    mirrored
        How many others are known to move at times of their own.
    moving
        Whether something was seen to move in the mirrors (`hotspot.heat.mirror`).
    passed
        Whether something moved at times, and these were left out (`hotspot.undisturbed`).
    """
    seen = [s.xy_px for s in spots] if centres_px is None else centres_px
    if not spots:
        return Mirrored(equals=0, restless=0, mirrored=mirrored, moving=moving, passed=passed)
    # Where all is said to be path, what looks like it is no surer to be heat.
    beside_path = [s.role != "path" for s in spots]
    judged = beside_path if any(beside_path) else [True] * len(spots)
    own = [s for s, yes in zip(spots, judged, strict=True) if yes]
    strongest = max(s.snr for s in own)
    # What mirrors the same thing is about as bright as well: far above the noise, where the error
    # of its model bounds a spot's SNR, a crumb of it may look as sure as the spot itself.
    warmest = max(s.peak_k for s in own if s.snr >= EQUAL_SHARE * strongest)
    least_k = EQUAL_SHARE * warmest if strongest > FAR_ABOVE_NOISE else 0.0
    alike = [
        at
        for s, at, yes in zip(spots, seen, judged, strict=True)
        if yes and s.snr >= EQUAL_SHARE * strongest and abs(s.peak_k) >= least_k
    ]
    equals = len(alike)
    path = max((s.snr for s, yes in zip(spots, judged, strict=True) if not yes), default=0.0)
    if path > STRONG_PATH * strongest:
        equals = 1
    return Mirrored(
        equals=equals,
        restless=_count_restless(field, away_from_px=own[0].xy_px),
        misfit=max(measure_misfits(field, list(alike))),
        mirrored=mirrored,
        snr=strongest,
        moving=moving,
        passed=passed,
        leads=max(own, key=lambda s: s.snr).role == "fault",
    )


def _count_restless(field: Field, *, away_from_px: FloatArray) -> int:
    """Count the pads that change at times of their own, away from a spot."""
    usual = float(np.median(field.quiet_sigma))
    restless = field.quiet_sigma > RESTLESS * usual
    restless &= _distance(field.shape, away_from_px) > OWN_REACH_PX
    return count_pads(restless)


def measure_misfits(field: Field, places_px: Sequence[FloatArray]) -> list[float]:
    """Return which share of what each place does happens at times of its own.

    Heat in step with the switching leaves nothing in the quiet contrasts but noise and a few per
    cent where its time course is a little unlike all in the family. What comes and goes by itself
    leaves as much in each quiet contrast as in a signal one.

    Parameters
    ----------
    field
        Contrast maps divided by their noise.
    places_px
        (2,) each.
    """
    if not places_px:
        return []
    rows, cols = field.shape
    # A scene that is restless throughout (leaves, a trembling stand) is the measure, not theory.
    grid = [
        np.array([c, r])
        for c in np.linspace(0.08, 0.92, 8) * cols
        for r in np.linspace(0.08, 0.92, 8) * rows
    ]
    usual = max(float(np.median([_energies(field, at)[0] for at in grid])), 1e-12)
    expected = usual * (1 + CERTAIN_SIGMAS * float(np.sqrt(2 / max(len(field.quiet), 1))))
    energies = [_energies(field, at) for at in places_px]
    return [max(0.0, own - expected) / max(signal, 1e-12) for own, signal in energies]


def _energies(field: Field, xy_px: FloatArray) -> tuple[float, float]:
    """Energy of quiet and of signal contrasts, seen through a small spot beside a free plane."""
    rows, cols = field.shape
    x, y = (
        int(np.clip(round(float(v)), 0, n - 1)) for v, n in zip(xy_px, (cols, rows), strict=True)
    )
    left, top = max(0, x - REACH_PX), max(0, y - REACH_PX)
    right, bottom = min(cols, x + REACH_PX + 1), min(rows, y + REACH_PX + 1)
    window = (slice(None), slice(top, bottom), slice(left, right))
    dy, dx = np.mgrid[window[1], window[2]]
    weight = np.exp(-0.5 * ((dx - xy_px[0]) ** 2 + (dy - xy_px[1]) ** 2) / SPOT_SIGMA_PX**2)
    use = ~field.bad[window[1:]]
    plane = np.stack([np.ones(int(use.sum())), dx[use], dy[use]], axis=1)
    fitted = np.linalg.lstsq(plane, weight[use], rcond=None)[0]
    weight = np.where(use, weight - (fitted[0] + fitted[1] * dx + fitted[2] * dy), 0.0)
    weight /= max(float(np.linalg.norm(weight)), 1e-12)
    quiet = np.einsum("kij,ij->k", field.quiet[window], weight)
    signal = np.einsum("kij,ij->k", field.maps[window], weight)
    return float(np.sum(quiet**2)), float(np.sum(signal**2))


def _distance(shape: tuple[int, int], xy_px: FloatArray) -> FloatArray:
    y, x = np.mgrid[: shape[0], : shape[1]]
    out: FloatArray = np.hypot(x - xy_px[0], y - xy_px[1])
    return out
