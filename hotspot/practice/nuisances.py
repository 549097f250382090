"""What else happens on a bench: hands, knocks, draughts."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class WarmHand:
    """A warm hand near the board, mirrored by bright metal.

    Attributes
    ----------
    temperature_c
        Of the hand.
    from_s, to_s
        While it is there.
    start_px, end_px
        Thermal px where its mirror image begins and ends its way.
    size_px
        Standard deviation of the mirror image.
    """

    temperature_c: float = 33.0
    from_s: float = 0.0
    to_s: float = math.inf
    start_px: tuple[float, float] = (0.0, 0.0)
    end_px: tuple[float, float] = (0.0, 0.0)
    size_px: float = 20.0


@dataclass(frozen=True, slots=True)
class Bump:
    """The stand was knocked: from `t_s` on the picture lies (dx_px, dy_px) further."""

    t_s: float
    dx_px: float
    dy_px: float


@dataclass(frozen=True, slots=True)
class Draught:
    """Air that changes its temperature: the board follows, small parts first.

    Attributes
    ----------
    sigma_k
        Standard deviation of the air's temperature.
    time_s
        Time over which it forgets itself.
    """

    sigma_k: float
    time_s: float = 4.0
