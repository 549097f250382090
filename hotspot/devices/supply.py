"""What a supply is, and the law it lives under.

The law: a value beyond the bounds raises, it is never clipped. Before the output goes on: output
off, set volts, set amps, read both back, arm the supply's own trips. The output goes off on every
way out, confirmed by read-back. A cut wire cannot be switched off by software: then the error says
so and asks for a hand.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Protocol

from hotspot.errors import SupplyError

UNKNOWN_STATE = "output state unknown"
BY_HAND = "Switch the output off by hand at the supply, now"


@dataclass(frozen=True, slots=True)
class Bounds:
    """What a supply may be asked for in this run.

    Attributes
    ----------
    max_v, max_a
        Highest set point.
    trip_v, trip_a
        Where the supply's own over-voltage and over-current protection is armed.
    """

    max_v: float
    max_a: float
    trip_v: float
    trip_a: float

    def check(self, *, volts: float, amps: float) -> None:
        """Raise unless a set point is inside.

        Raises
        ------
        ValueError
            With name, value and bound.
        """
        for name, value, bound in (("volts", volts, self.max_v), ("amps", amps, self.max_a)):
            if not math.isfinite(value) or not 0.0 <= value <= bound:
                raise ValueError(f"{name} must be in 0 to {bound:g} (plan), got {value:g}")


@dataclass(frozen=True, slots=True)
class Readback:
    """What the supply says of itself; None where it cannot say.

    Attributes
    ----------
    volts, amps
        Measured at the output.
    on
        Output state.
    tripped
        Whether a protection of its own has switched it off.
    """

    volts: float | None
    amps: float | None
    on: bool | None
    tripped: bool | None = None


def nothing() -> None:
    """Do nothing."""


class Supply(Protocol):
    """A bench supply, programmable or worked by hand."""

    @property
    def name(self) -> str:
        """Identity, for the record."""

    @property
    def reads_back(self) -> bool:
        """Whether `read` knows anything."""

    def set_point(self, volts: float, amps: float, /) -> None:
        """Set voltage and current limit; read back and compare; beyond the bounds raises."""

    def arm_trips(self) -> None:
        """Arm the supply's own protections at the bounds, where it has them."""

    def switch_on(self) -> None:
        """Switch the output on."""

    def switch_off(self) -> None:
        """Switch the output off and confirm it.

        Raises
        ------
        SupplyError
            "output state unknown" when it cannot be confirmed.
        """

    def read(self, between: Callable[[], None] = nothing, /) -> Readback:
        """Return what the supply says of itself; `between` is called between two questions."""


@contextmanager
def energised(supply: Supply, *, volts: float, amps: float) -> Iterator[Supply]:
    """Switch the output on for the length of a block, off on every way out.

    Raises
    ------
    SupplyError
        If the supply refuses, reads back another value, or cannot be confirmed off.
    ValueError
        If the set point is beyond the supply's bounds; nothing has been switched then.
    """
    try:
        supply.switch_off()
        supply.set_point(volts, amps)
        supply.arm_trips()
        supply.switch_on()
        yield supply
    finally:
        supply.switch_off()


class ManualSupply:
    """A supply worked by hand: the program gives the cues and reads nothing.

    Parameters
    ----------
    cue
        Called with what to do; returns whether the technician has done it.
    bounds
        Set points beyond them are never asked for.
    """

    def __init__(self, cue: Callable[[str], bool], *, bounds: Bounds) -> None:
        self._cue = cue
        self._bounds = bounds
        self._on = False

    @property
    def name(self) -> str:
        """Identity, for the record."""
        return "supply worked by hand"

    @property
    def reads_back(self) -> bool:
        """Nothing is read."""
        return False

    def set_point(self, volts: float, amps: float, /) -> None:
        """Cue the set point.

        Raises
        ------
        ValueError
            Beyond the bounds.
        SupplyError
            If the technician did not do it.
        """
        self._bounds.check(volts=volts, amps=amps)
        self._ask(f"Set {volts:g} V and a current limit of {amps:g} A")

    def arm_trips(self) -> None:
        """Cue the protections."""
        bounds = self._bounds
        self._ask(
            f"If the supply has its own protection, set over-voltage {bounds.trip_v:g} V and "
            f"over-current {bounds.trip_a:g} A"
        )

    def switch_on(self) -> None:
        """Cue the output on."""
        self._ask("Output ON")
        self._on = True

    def switch_off(self) -> None:
        """Cue the output off; the answer is all the confirmation there is."""
        if not self._cue("Output OFF"):
            raise SupplyError(f"{UNKNOWN_STATE}: nobody said it is off", cure=BY_HAND)
        self._on = False

    def read(self, between: Callable[[], None] = nothing, /) -> Readback:
        """Return the state as last confirmed; volts and amps are not known."""
        return Readback(None, None, self._on)

    def _ask(self, what: str) -> None:
        if not self._cue(what):
            raise SupplyError(f"'{what}' was not confirmed", cure="Start again when ready")
