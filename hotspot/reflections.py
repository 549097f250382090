"""Warm things mirrored in metal: when what looks like heat must not be given a part's name.

A hand moves, and solder and shield cans mirror it wherever it passes: many places change at once
and none of them stands out, or places all over the picture are restless at times of their own. A
short is one place, perhaps two, and follows the switching.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from hotspot.checks import FloatArray
from hotspot.finding import Spot
from hotspot.locate.field import Field

# Spots within this share of the strongest count as its equals; three equals are not one short,
# and two shorts with the path between them are rarely so alike.
EQUAL_SHARE = 0.6
FEWEST_EQUALS = 3
# A place is restless when its quiet contrasts vary this much more than usual, and large enough to
# be a pad rather than a pixel.
RESTLESS = 1.5
PAD_PIXELS = 6
# Restless places this near to the spot may be the spot's own heat that no template has, px.
OWN_REACH_PX = 12.0
FEWEST_RESTLESS = 3
# A part named with this probability stands against equals: the part map says that one of them is
# where a part can fail.
CERTAIN = 0.9
# Without a log, a spot on which no part is more probable than this is not believed: switching that
# was read off the frames may be something else's.
LEAST_UNLOGGED = 0.35
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
    """

    equals: int
    restless: int

    def forbids_a_name(self, *, logged: bool, moved: bool, best: float) -> bool:
        """Return whether no part may be named.

        Parameters
        ----------
        logged
            Whether the switching was written down; switching read off the frames may be the
            hand's own coming and going.
        moved
            Whether the camera was knocked: edges of pads are then restless of themselves.
        best
            Probability of the first suspect; 1 where no part map is known.
        """
        if self.equals >= FEWEST_EQUALS and best < CERTAIN:
            return True
        if logged:
            return False
        return best < LEAST_UNLOGGED or (not moved and self.restless >= FEWEST_RESTLESS)


def find_mirrored(field: Field, *, spots: tuple[Spot, ...]) -> Mirrored:
    """Return the signs of something mirrored in a field with its spots, strongest first."""
    own = [s for s in spots if s.role != "path"]
    if not own:
        return Mirrored(equals=0, restless=0)
    strongest = max(s.snr for s in own)
    equals = sum(s.snr >= EQUAL_SHARE * strongest for s in own)
    path = max((s.snr for s in spots if s.role == "path"), default=0.0)
    if path > STRONG_PATH * strongest:
        equals = 1
    usual = float(np.median(field.local_sigma))
    restless = field.local_sigma > RESTLESS * usual
    restless &= _distance(field.shape, own[0].xy_px) > OWN_REACH_PX
    labels, count = ndimage.label(restless)
    sizes = np.bincount(labels.reshape(-1), minlength=count + 1)[1:]
    return Mirrored(equals=int(equals), restless=int(np.sum(sizes >= PAD_PIXELS)))


def _distance(shape: tuple[int, int], xy_px: FloatArray) -> FloatArray:
    y, x = np.mgrid[: shape[0], : shape[1]]
    out: FloatArray = np.hypot(x - xy_px[0], y - xy_px[1])
    return out
