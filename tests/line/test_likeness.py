"""A spot that looks like the metal beside it is told from one that looks like heat."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from hotspot.heat.mirror import Mirror
from hotspot.likeness import measure_likeness, without_mirrored_spots
from hotspot.locate.field import Field
from hotspot.locate.spots import FoundSpot
from tests.line.test_misfit import COLS, ROWS, field, found_at

HEAT_PX, PADS_PX = (20.2, 20.1), ((44, 12), (46, 30))


def pads() -> NDArray[np.float32]:
    """(rows, cols): two pads of 4 x 3 px, and one beside the heat."""
    out = np.zeros((ROWS, COLS), np.float32)
    for x, y in (*PADS_PX, (25, 20)):
        out[y - 1 : y + 2, x - 2 : x + 2] = 1.0
    return out


def scene(*, mirrored: float) -> Field:
    """A warm spot, and pads that show something as bright."""
    out = field(quiet_share=0.0, xy_px=HEAT_PX)
    maps = out.maps.copy()
    maps[0] += mirrored * pads()
    return replace(out, maps=maps)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_heat_looks_like_a_spot_and_a_pad_like_a_mirror(sign: float) -> None:
    seen, mirror = scene(mirrored=sign * 12.0), Mirror(pads(), lively=True)
    heat = measure_likeness(seen, mirror, np.array(HEAT_PX))
    assert heat.spot > 3 * heat.mirror
    for at in PADS_PX:
        pad = measure_likeness(seen, mirror, np.array(at, dtype=float))
        assert pad.mirror > pad.spot > 0


def test_without_metal_nothing_is_mirrored() -> None:
    none = Mirror(np.zeros((ROWS, COLS), np.float32), lively=True)
    assert measure_likeness(scene(mirrored=12.0), none, np.array(PADS_PX[0])).mirror == 0.0


def test_mirrored_spots_are_set_aside_beside_heat_on_the_rail_only() -> None:
    seen, mirror = scene(mirrored=12.0), Mirror(pads(), lively=True)
    heat = found_at(HEAT_PX, snr=40.0)
    others = tuple(found_at(p, snr=30.0) for p in PADS_PX)
    found: tuple[FoundSpot, ...] = (heat, *others)
    given = {"field": seen, "mirror": mirror}
    roles = ["fault", "unknown", "unknown"]
    assert without_mirrored_spots(found, roles=roles, **given) == ((heat,), others)
    # Off the rail heat is nobody's: nothing speaks for it against the others.
    assert without_mirrored_spots(found, roles=["unknown"] * 3, **given) == (found, ())
    # A pad on the rail is no heat.
    assert without_mirrored_spots(found, roles=["unknown", "fault", "path"], **given) == (found, ())
    alone = ((heat,), ())
    assert without_mirrored_spots((heat,), roles=["fault"], **given) == alone
