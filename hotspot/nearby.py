"""Which parts a spot can have to do with, and which are too far from it."""

from __future__ import annotations

import cv2
import numpy as np

from hotspot.board import Board, Kind, Role
from hotspot.checks import FloatArray
from hotspot.locate.parts import Place
from hotspot.suspects import Prior

# Heat spreads about this far within a recording: sqrt(alpha t) of a board with copper, 1e-6 to
# 1e-5 m²/s (handbook values, from memory), in some ten seconds.
HEAT_REACH_MM = 10.0
# Scale taken when none is known.
USUAL_MM_PER_PX = 0.3
# So near to a spot it is a matter of one spot's shape, px.
ONE_SPOT_PX = 12.0


def parts_of_others(
    places: tuple[Place, ...], *, centres_px: list[FloatArray], own: int
) -> frozenset[int]:
    """Return the parts, by index, that another spot is at and this one is far from.

    A weaker spot is still in the picture when a stronger one is weighed, and a part that it makes
    warm explains that one nearly as well as its shape is known.

    Parameters
    ----------
    places
        Of the parts.
    centres_px
        (2,) of each spot.
    own
        Which spot is weighed.
    """
    if not places:
        return frozenset()
    apart = np.array([[np.hypot(*(p.xy_px - c)) - p.radius_px for c in centres_px] for p in places])
    nearest = np.argmin(apart, axis=1)
    of_others = (nearest != own) & (apart.min(axis=1) < ONE_SPOT_PX) & (apart[:, own] > ONE_SPOT_PX)
    return frozenset(int(i) for i in np.flatnonzero(of_others))


def far_parts(
    places: tuple[Place, ...], *, xy_px: FloatArray, around_px: tuple[float, ...]
) -> frozenset[int]:
    """Return the parts, by index, that a spot is too far from to be theirs.

    Parameters
    ----------
    places
        Of the parts.
    xy_px
        (2,) centre of the spot.
    around_px
        How far beyond its body each part's own heat may be centred.
    """
    return frozenset(
        i
        for i, (place, around) in enumerate(zip(places, around_px, strict=True))
        if np.hypot(*(place.xy_px - xy_px)) > place.radius_px + around + ONE_SPOT_PX
    )


def is_on_a_can(xy_px: FloatArray, *, board: Board, places: tuple[Place, ...]) -> bool:
    """Return whether a point lies on a shield can.

    Parameters
    ----------
    xy_px
        (2,) in the thermal picture.
    board, places
        The part map, and where its parts lie.
    """
    x, y = (float(v) for v in xy_px)
    return any(
        cv2.pointPolygonTest(place.outline_px.astype(np.float32), (x, y), False) >= 0
        for part, place in zip(board.parts, places, strict=True)
        if part.kind is Kind.SHIELD
    )


def without_others(probabilities: FloatArray, *, others: frozenset[int]) -> FloatArray:
    """Return the probabilities (m,) of the parts, given that this spot is at none of the others'.

    Of two shorts that are about as warm each part has a share of the probability, and each spot is
    where it is all the same.

    Parameters
    ----------
    probabilities
        (m,) one of each part; the rest to 1 is that of something else.
    others
        Parts that other spots are at, from `parts_of_others`.
    """
    own = np.array([0.0 if i in others else p for i, p in enumerate(probabilities)])
    left = 1.0 - float(np.sum(probabilities) - np.sum(own))
    out: FloatArray = own / max(left, 1e-12)
    return out


def chance_where(
    probabilities: FloatArray,
    *,
    priors: tuple[Prior, ...] | None,
    places: tuple[Place, ...],
    near_px: FloatArray | None,
    mm_per_px: float | None,
) -> float:
    """Return the probability of the likeliest part where the heat is.

    What is warm far from a spot is another matter, and too weak to be a spot of its own.

    Parameters
    ----------
    probabilities, places
        One of each for every part.
    priors
        One for every part: then only parts count that the current can reach and that can fail under
        it. None where heat is so strong that it speaks against the map.
    near_px
        (2,) the spot; None where the picture has none but the path's.
    mm_per_px
        Scale, or None.
    """
    able = np.ones(len(places), dtype=bool)
    if priors is not None:
        able = np.array([p.role in (Role.SHUNT, Role.LOAD, Role.UNKNOWN) for p in priors])
    if near_px is not None:
        reach_px = HEAT_REACH_MM / (mm_per_px or USUAL_MM_PER_PX)
        able &= np.array([np.hypot(*(p.xy_px - near_px)) < reach_px + p.radius_px for p in places])
    return float(np.max(probabilities, where=able, initial=0.0))
