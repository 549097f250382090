"""Warm things mirrored in metal: what a field shows of them.

A hand moves, and solder and shield cans mirror it wherever it passes: many places change at once,
or places all over the picture are restless at times of their own.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.doubts import Mirrored, most_misfit
from hotspot.finding import Spot
from hotspot.heat.pads import RESTLESS, count_pads
from hotspot.locate.field import Field
from hotspot.locate.spots import FoundSpot

# Spots within this share of the strongest count as its equals.
EQUAL_SHARE = 0.6
# ... and in a plain look from this share on: of 30 hot parts two had another such place far from
# them (both under a hand), and of three hands alone two did.
PLAIN_EQUAL_SHARE = 0.4
# Strong places scattered over the picture, each this share of the strongest: a hand that came with
# the current left four of a third and more, twice; what taking a spot away leaves over is an eighth
# (`hotspot.locate.separate.LEFTOVER`).
SCATTERED_SHARE = 0.3
# From this SNR on equals must be about as bright as well: the error of a spot's model is then
# several times the noise.
FAR_ABOVE_NOISE = 30.0
# Restless places this near to the spot may be the spot's own heat that no template has, px.
OWN_REACH_PX = 12.0
# A spot there of this share of its SNR or less may be what its description leaves.
CRUMB = 0.25
# ... and for a crowd from this one on.
CROWD_SHARE = 0.5
# In a plain look, what is restless by a smaller share of a spot's height has not made it: pads in
# lossy video were restless by 4 per cent of heat that was the brightest thing in the picture.
RESTLESS_SHARE = 0.1
# The window through which that is judged, px, and its certainty in sigma of chi-squared.
REACH_PX, SPOT_SIGMA_PX, CERTAIN_SIGMAS = 12, 1.3, 5.0
# A path this much stronger than the rest leaves crumbs of itself that look alike.
STRONG_PATH = 3.0


def warm_ones(
    found: tuple[FoundSpot, ...], *, rise_k: NDArray[np.float32]
) -> tuple[FoundSpot, ...]:
    """Return the spots without those that are no warmer in the end, beside one that is.

    Drift and moving air make places that follow the switching in one way or another, and are as
    cold in the end as they were (in 29 recordings of two shorts the second was warmer by a
    tenth of the first, and more). Where the strongest is not the warmest, nothing is said.

    Parameters
    ----------
    found
        Spots, strongest first.
    rise_k
        (rows, cols) rise at the end of the injection.
    """
    rises = [_around(rise_k, s.centre.xy_px) for s in found]
    if not rises or rises[0] < max(*rises, 0.0):
        return found
    return tuple(s for s, rise in zip(found, rises, strict=True) if rise > 0)


def _around(picture: NDArray[np.float32], xy_px: FloatArray) -> float:
    """Mean over 3 x 3 pixels."""
    x, y = (max(1, round(float(v))) for v in xy_px)
    return float(picture[y - 1 : y + 2, x - 1 : x + 2].mean())


def set_aside(
    found: tuple[FoundSpot, ...], *, field: Field, logged: bool, moving: bool
) -> tuple[tuple[FoundSpot, ...], tuple[FoundSpot, ...]]:
    """Return the spots that are in step with the switching, and those that are not.

    One that is not, beside a stronger one that is, is a crumb of that and neither.

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
    misfits = measure_misfits(field, [s.centre.xy_px for s in found])
    in_step = [
        misfit <= most_misfit(moving, logged=logged, snr=spot.centre.snr)
        for misfit, spot in zip(misfits, found, strict=True)
    ]
    kept = tuple(s for s, yes in zip(found, in_step, strict=True) if yes)
    others = tuple(s for s, yes in zip(found, in_step, strict=True) if not yes)
    return kept, tuple(s for s in others if not any(_is_crumb(s, of=k) for k in kept))


def _is_crumb(spot: FoundSpot, *, of: FoundSpot) -> bool:
    apart = float(np.hypot(*(spot.centre.xy_px - of.centre.xy_px)))
    return apart < OWN_REACH_PX and spot.centre.snr < CRUMB * of.centre.snr


def find_mirrored(
    field: Field,
    *,
    spots: tuple[Spot, ...],
    centres_px: tuple[FloatArray, ...] | None = None,
    mirrored: int = 0,
    moving: bool = False,
    passed: bool = False,
    plain: bool = False,
    turned: bool = False,
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
    plain
        Whether this is the plain look (`hotspot.look`), in which nothing but their number tells
        places that mirror a hand from one that is hot.
    turned
        Whether the scale of a display was turned over.
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
    lead = max(own, key=lambda s: s.snr)
    lead_at = next(at for s, at in zip(spots, seen, strict=True) if s is lead)
    near = sum(float(np.hypot(*(at - lead_at))) < OWN_REACH_PX for at in alike)
    far = [
        s
        for s, at, yes in zip(spots, seen, judged, strict=True)
        if yes and np.hypot(*(at - lead_at)) > OWN_REACH_PX
    ]
    if plain:
        equals = 1 + sum(s.snr >= PLAIN_EQUAL_SHARE * strongest for s in far)
    return Mirrored(
        equals=equals,
        restless=_count_restless(field, away_from_px=own[0].xy_px, plain=plain),
        misfit=max(measure_misfits(field, list(alike))),
        mirrored=mirrored,
        snr=strongest,
        moving=moving,
        passed=passed,
        plain=plain,
        leads=lead.role == "fault",
        fault_snr=max((s.snr for s in spots if s.role == "fault"), default=0.0),
        scattered=1 + sum(s.snr >= SCATTERED_SHARE * strongest for s in far),
        turned=turned,
        crowd=sum(s.snr >= CROWD_SHARE * strongest for s in own),
        twin=near > 1 and equals > 1 and strongest < FAR_ABOVE_NOISE,
    )


def _count_restless(field: Field, *, away_from_px: FloatArray, plain: bool) -> int:
    """Count the pads that change at times of their own, away from a spot.

    In a plain look only those that come near the spot's height: it is held against noise so much
    smaller that the coding of a video makes pads restless. In a fitted one a spot far higher than
    what is restless may still be of its making: a walking animal was.
    """
    least = RESTLESS * float(np.median(field.quiet_sigma))
    if plain:
        x, y = (max(1, round(float(v))) for v in away_from_px)
        spot = (slice(None), slice(y - 1, y + 2), slice(x - 1, x + 2))
        seen = np.linalg.norm(field.maps[spot], axis=0) * field.local_sigma[spot[1:]]
        least = max(least, RESTLESS_SHARE * float(np.max(seen)))
    restless = field.quiet_sigma > least
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
