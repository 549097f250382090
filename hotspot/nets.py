"""What the name of a net says: ground, supply rail, volts (names of common practice, no source)."""

from __future__ import annotations

import re

_GROUND = re.compile(
    r"^[/+]*(?:[ADPSC]?GND[A-Z]?\d*|GND[_-]?\w*|\w{1,3}[_-]GND|VSS[A-Z]?|0V|GROUND)$", re.I
)
_VOLTS = (
    re.compile(r"(?<![A-Z0-9.])(?:\+|P|V)?_?(\d{1,2})V(\d{1,2})(?![\dA-Z])", re.I),  # 3V3, P0V9
    re.compile(r"(?<![A-Z0-9.])(?:\+|P|V)?_?(\d{1,2}(?:[.P]\d{1,2})?)V(?![A-Z0-9])", re.I),  # 1.8V
)
_RAIL_WORDS = re.compile(
    r"^[/+]*(?:V(?:CC|DD|EE|BUS|BAT|BATT|IN|SYS|OUT|MAIN|REG|IO|CORE|MEM|RTC|AA|DDA|USB|PWR)"
    r"|PP?BATT?|BATT?\+?|VBAT[_-]?\w*|V(?:CC|DD)[_-]?\w+)$",
    re.I,
)


def is_ground_name(net: str) -> bool:
    """Return whether a net name is one of the usual names of ground."""
    return bool(_GROUND.match(net))


def volts_from_name(net: str) -> float | None:
    """Return the voltage that a net name states ("3V3", "P0V9_CORE", "+5V"), or None."""
    found = _VOLTS[0].search(net)
    if found:
        return float(f"{found[1]}.{found[2]}")
    found = _VOLTS[1].search(net)
    return float(found[1].upper().replace("P", ".")) if found else None


def is_rail_name(net: str) -> bool:
    """Return whether a net name is that of a supply rail: it states volts, or is a usual name."""
    if is_ground_name(net):
        return False
    volts = volts_from_name(net)
    if volts is not None:
        return 0 < volts <= 60  # beyond the extra-low voltage limit nobody injects
    return bool(_RAIL_WORDS.match(net))
