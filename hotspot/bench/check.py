"""Check a programmable supply with its output off, before it is trusted with a board."""

from __future__ import annotations

import time
from dataclasses import dataclass

from hotspot.devices.dialect import Dialect
from hotspot.devices.link import VisaLink
from hotspot.devices.scpi import ScpiSupply
from hotspot.devices.supply import Bounds
from hotspot.errors import SupplyError

# Low enough for any supply and any board, although the output stays off.
TRY_V, TRY_A = 0.5, 0.1
MOST_OFF_S = 0.5


@dataclass(frozen=True, slots=True)
class CheckReport:
    """What was found.

    Attributes
    ----------
    usable
        Whether it may run a plan.
    lines
        One sentence for each thing tried.
    """

    usable: bool
    lines: tuple[str, ...]


def check_supply(address: str, *, dialect: Dialect) -> CheckReport:
    """Check identity, read-back, refusal and protections of a supply; the output stays off.

    Raises
    ------
    SupplyError
        If it does not answer at all, or its output cannot be confirmed off.
    """
    link = VisaLink(
        address,
        timeout_s=dialect.timeout_s,
        termination=dialect.termination,
        baud_rate=dialect.baud_rate,
    )
    bounds = Bounds(max_v=TRY_V, max_a=TRY_A, trip_v=2.0 * TRY_V, trip_a=2.0 * TRY_A)
    supply = ScpiSupply(link, dialect=dialect, bounds=bounds)
    lines: list[str] = []
    usable = True
    try:
        lines.append(f"ok      answers: {supply.open()}")
        for name, step in (
            (f"set {TRY_V:g} V, {TRY_A:g} A and read back", _try_set_point),
            ("measured with the output off", _try_read),
            ("own protections", _try_trips),
        ):
            try:
                lines.append(f"ok      {name}: {step(supply, dialect)}")
            except SupplyError as err:
                usable = False
                lines.append(f"FAILED  {name}: {err.sentence}")
        begin = time.monotonic()
        supply.switch_off()
        took_s = time.monotonic() - begin
        lines.append(f"ok      off and confirmed in {took_s * 1e3:.0f} ms")
        if took_s > MOST_OFF_S:
            usable = False
            lines.append(f"FAILED  off must take less than {MOST_OFF_S:g} s")
    finally:
        supply.close()
    lines += _warnings(dialect)
    verdict = "This supply may run a plan." if usable else "Do not run a plan on this supply."
    return CheckReport(usable, (*lines, verdict))


def _try_set_point(supply: ScpiSupply, dialect: Dialect) -> str:
    supply.set_point(TRY_V, TRY_A)
    return "equal" if dialect.ask_set_volts and dialect.ask_set_amps else "sent, it cannot be read"


def _try_read(supply: ScpiSupply, dialect: Dialect) -> str:
    begin = time.monotonic()
    read = supply.read()
    took_s = time.monotonic() - begin
    if read.volts is not None and abs(read.volts) > TRY_V:
        raise SupplyError(
            f"{read.volts:.3g} V at the terminals",
            cure="Something else feeds them: take the leads off the board",
        )
    return f"{_shown(read.volts)} V, {_shown(read.amps)} A, a reading takes {took_s * 1e3:.0f} ms"


def _try_trips(supply: ScpiSupply, dialect: Dialect) -> str:
    supply.arm_trips()
    armed = [
        name
        for name, word in (
            ("over-voltage", dialect.set_over_volts),
            ("over-current", dialect.set_over_amps),
            ("timer", dialect.set_timer),
        )
        if word
    ]
    if not armed:
        return "none named in the dialect"
    left = f"they now stand at {2.0 * TRY_V:g} V, {2.0 * TRY_A:g} A: mind it at the next use"
    return f"{', '.join(armed)}; {left}"


def _shown(value: float | None) -> str:
    return "?" if value is None else f"{value:.3g}"


def _warnings(dialect: Dialect) -> list[str]:
    lines = []
    if not dialect.ask_output:
        lines.append("warning its output state cannot be read: off will not be confirmed")
    if not dialect.set_over_volts:
        lines.append("warning no over-voltage protection is armed: set it at the panel")
    if not dialect.set_timer:
        lines.append(
            "warning no timer of its own: if this program is killed or the cable breaks, the "
            "output stays on at its last, safe-limited set point until you switch it off or the "
            "next connection does"
        )
    return lines
