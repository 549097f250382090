"""Open a programmable supply for a run, and close it with the output off."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from hotspot.bench.schedule import Schedule
from hotspot.devices.dialect import Dialect
from hotspot.devices.link import VisaLink
from hotspot.devices.scpi import ScpiSupply

TIMER_MARGIN_S = 10.0  # the supply's own timer ends this long after the run should have


@contextmanager
def open_supply(address: str, dialect: Dialect, *, schedule: Schedule) -> Iterator[ScpiSupply]:
    """Open a supply; its first and last word is output off.

    Raises
    ------
    SupplyError
        If it does not answer, or cannot be confirmed off.
    """
    link = VisaLink(
        address,
        timeout_s=dialect.timeout_s,
        termination=dialect.termination,
        baud_rate=dialect.baud_rate,
    )
    supply = ScpiSupply(
        link,
        dialect=dialect,
        bounds=schedule.bounds,
        on_time_s=schedule.length_s + TIMER_MARGIN_S,
    )
    try:
        supply.open()
        yield supply
    finally:
        supply.close()
