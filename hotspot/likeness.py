"""Whether a spot looks like heat, or like the metal beside it that mirrors something warm.

A hand that passed has shown what mirrors, and how well, far above the noise. What is left of it at
other times, a face further off or the room that it warmed, is mirrored by the same metal: around
such a place the picture is that of the mirrors, or its negative where the board's drift as a whole
was taken out with it. Heat is a compact spot, whatever mirrors beside it. Both are fitted, each
beside a plane, and what explains more is the likelier.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.mirror import Mirror
from hotspot.locate.field import Field
from hotspot.locate.spots import FoundSpot

# Half the window looked at, px: a few pads, and a hand's image is smooth over it.
REACH_PX = 6
# Widths of the spots tried, px: optics alone, a small part's body, one of a larger part.
SPOT_SIGMAS_PX = (1.0, 1.5, 2.2)
# A spot on a part of the rail is where heat is expected: its looks must speak against it by three
# sigma (half of 9 in log likelihood). Elsewhere no current flows, and the better likeness decides.
EXPECTED_GAIN = 9.0


@dataclass(frozen=True, slots=True)
class Likeness:
    """How much of the picture around a place is explained, as energy over that of the noise.

    Attributes
    ----------
    spot
        By a compact spot.
    mirror
        By what mirrors there.
    """

    spot: float
    mirror: float


def measure_likeness(field: Field, mirror: Mirror, xy_px: FloatArray) -> Likeness:
    """Return how the surroundings of a place are explained.

    Parameters
    ----------
    field
        Contrast maps divided by their noise.
    mirror
        What mirrors, as something that passed has shown.
    xy_px
        (2,) the place; its own mix of the contrasts is looked at.
    """
    rows, cols = field.shape
    x, y = (
        int(np.clip(round(float(v)), 0, n - 1)) for v, n in zip(xy_px, (cols, rows), strict=True)
    )
    window = (
        slice(max(0, y - REACH_PX), min(rows, y + REACH_PX + 1)),
        slice(max(0, x - REACH_PX), min(cols, x + REACH_PX + 1)),
    )
    use = ~field.bad[window]
    own = field.maps[:, y, x].astype(np.float64)
    own /= max(float(np.linalg.norm(own)), 1e-12)
    seen = np.tensordot(own, field.maps[(slice(None), *window)], axes=1)[use]
    dy, dx = (g[use] for g in np.mgrid[window])
    plane = np.stack([np.ones(len(dx)), dx - x, dy - y], axis=1).astype(np.float64)
    square = (dx - xy_px[0]) ** 2 + (dy - xy_px[1]) ** 2
    spots = [np.exp(-0.5 * square / s**2) for s in SPOT_SIGMAS_PX]
    return Likeness(
        spot=max(_gain(seen, plane, shape) for shape in spots),
        mirror=_gain(seen, plane, mirror.strength[window][use].astype(np.float64)),
    )


def _gain(seen: NDArray[np.float64], plane: FloatArray, shape: FloatArray) -> float:
    """Energy of what is seen that a shape explains beside a plane."""
    both = np.column_stack([plane, shape, seen])
    rest = both[:, 3:] - plane @ np.linalg.lstsq(plane, both[:, 3:], rcond=None)[0]
    size = float(rest[:, 0] @ rest[:, 0])
    if size < 1e-9 * max(float(shape @ shape), 1e-12):
        return 0.0
    return float(rest[:, 0] @ rest[:, 1]) ** 2 / size


def without_mirrored_spots(
    found: tuple[FoundSpot, ...],
    *,
    roles: Sequence[str],
    field: Field,
    mirror: Mirror,
) -> tuple[tuple[FoundSpot, ...], tuple[FoundSpot, ...]]:
    """Return the spots that look like heat, and those that look like what mirrors.

    Nothing is told apart where none of them looks like heat on a part of the rail, or where none is
    mirrored.

    Parameters
    ----------
    found
        Spots.
    roles
        Of each: "fault" on a part of the rail, "path", or "unknown".
    field
        Contrast maps divided by their noise.
    mirror
        What mirrors, as something that passed has shown.
    """
    looks = [measure_likeness(field, mirror, spot.centre.xy_px) for spot in found]
    aside = [
        look.mirror > look.spot + (0.0 if role == "unknown" else EXPECTED_GAIN)
        for look, role in zip(looks, roles, strict=True)
    ]
    heat = any(
        role == "fault" and look.mirror < look.spot for look, role in zip(looks, roles, strict=True)
    )
    if not heat or not any(aside):
        return found, ()
    kept = tuple(s for s, yes in zip(found, aside, strict=True) if not yes)
    return kept, tuple(s for s, yes in zip(found, aside, strict=True) if yes)
