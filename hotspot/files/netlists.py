"""IPC-D-356 and 356A bare-board test netlists: pads with net, reference, pin, place and size.

Records are 80 columns or less, columns counted from 1: 1-3 operation code (317 through hole, 327
surface pad, 367 unplated hole), 4-17 net, 21-26 reference, 27 dash, 28-31 pin, 32 M for a
midpoint, 33-38 hole, 39-41 access side, 42-49 x, 50-57 y, 58-67 size, 68-71 rotation. A reference
longer than six characters shifts all later columns. Names are cut by the writer: references to
their first six characters, nets to their last fourteen.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from hotspot.errors import BoardError
from hotspot.files.tables import load_text

NO_NET = "N/C"
VIA = "VIA"
MAX_BYTES = 64 << 20
# UNITS CUST n: (mm per unit, degrees per unit of rotation). CUST 2 gives radians in three digits,
# which leaves their scale open: pads of such files are taken as not rotated.
_UNITS = {
    "CUST 0": (0.00254, 1.0), "CUST 1": (0.001, 1.0), "CUST 2": (0.00254, 0.0),
    "SI": (0.001, 1.0), "METRIC": (0.001, 1.0), "INCH": (0.00254, 1.0), "ENGLISH": (0.00254, 1.0),
}  # fmt: skip
_PLACE = re.compile(
    r"(?P<midpoint>M| )?(?:D(?P<hole>[\d ]{4})(?P<plating>[PU ])| {6})?"
    r"A(?P<access>[\d ]{2})X(?P<x>[+\- ]?\d{1,6})Y(?P<y>[+\- ]?\d{1,6})"
    r"(?:X(?P<width>\d{1,4})(?:Y(?P<height>\d{1,4}))?)?\s?(?:R(?P<rotation>\d{1,3}))?"
)
_ACCESS_AT = 18  # column 39, counted from column 21


@dataclass(frozen=True, slots=True)
class Pad:
    """One electrical record.

    Attributes
    ----------
    net
        As written, with escapes undone; "N/C" for an unconnected pin.
    ref, pin
        Reference (perhaps cut to six characters, perhaps in another letter case) and pin.
    x_mm, y_mm, width_mm, height_mm, rotation_deg
        Pad centre, size before rotation, rotation.
    access
        0 both sides, 1 primary side, 2 and above other layers.
    through
        A plated through hole (317).
    """

    net: str
    ref: str
    pin: str
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    rotation_deg: float
    access: int
    through: bool

    @property
    def is_via(self) -> bool:
        """Whether the record is a via, not a pin."""
        return self.ref == VIA


@dataclass(frozen=True, slots=True)
class Netlist:
    """All electrical records (317 and 327) of a netlist file."""

    pads: tuple[Pad, ...]
    warnings: tuple[str, ...] = ()

    @property
    def references(self) -> tuple[str, ...]:
        """References as written, in order of appearance; vias are none."""
        return tuple(dict.fromkeys(p.ref for p in self.pads if not p.is_via and p.ref))

    @property
    def nets(self) -> tuple[str, ...]:
        """Net names in order of appearance, "N/C" included."""
        return tuple(dict.fromkeys(p.net for p in self.pads))


def load_netlist(path: Path) -> Netlist:
    """Return the records of an IPC-D-356 or 356A file.

    Raises
    ------
    BoardError
        Names the line that cannot be read, or says that no record is there.
    """
    path = Path(path)
    return parse_netlist(load_text(path, error=BoardError, max_bytes=MAX_BYTES), where=str(path))


def parse_netlist(text: str, *, where: str) -> Netlist:
    """Return the records in the text of an IPC-D-356 file."""
    mm, degrees, stated = *_UNITS["CUST 0"], False
    aliases: dict[str, str] = {}
    pads: list[Pad] = []
    for number, line in _joined(text):
        head = line[:3]
        if head == "999":
            break
        if line[:1] == "P":
            words = line[1:].split(None, 1)
            if len(words) == 2 and words[0] == "UNITS":
                mm, degrees = _units(words[1], where=f"{where}, line {number}")
                stated = True
            elif len(words) == 2 and re.fullmatch(r"NNAME\d+", words[0]):
                aliases[words[0]] = words[1].strip()
        elif head in ("317", "327"):
            pads.append(
                _pad(line, mm=mm, degrees=degrees, aliases=aliases, where=f"{where}, line {number}")
            )
    if not pads:
        raise BoardError(
            "holds no IPC-D-356 record (317 or 327)",
            where=where,
            cure="Export the board's test netlist as IPC-D-356",
        )
    warnings = () if stated else ("the netlist names no UNITS; read as 0.0001 inch",)
    return Netlist(tuple(pads), warnings)


def _joined(text: str) -> list[tuple[int, str]]:
    """Return logical lines: a line that begins with 0 continues the one above."""
    lines: list[tuple[int, str]] = []
    for number, line in enumerate(text.split("\n"), start=1):
        if line[:1] == "0" and lines:
            first, head = lines[-1]
            if len(head) < 4096:
                lines[-1] = (first, head.rstrip() + line[3:].strip())
        elif line.strip():
            lines.append((number, line.rstrip()))
    return lines


def _units(text: str, *, where: str) -> tuple[float, float]:
    key = " ".join(text.upper().split())
    if key not in _UNITS:
        raise BoardError(
            f"UNITS '{key[:20]}' is not known", where=where, cure="Export with UNITS CUST 0 or 1"
        )
    return _UNITS[key]


def _pad(line: str, *, mm: float, degrees: float, aliases: dict[str, str], where: str) -> Pad:
    found = next((m for m in _PLACE.finditer(line, 20) if m["x"] is not None), None)
    if found is None:
        raise BoardError(
            f"cannot be read: '{line[:40]}'", where=where, cure="Export the netlist again"
        )
    shift = max(0, found.start("access") - 1 - 20 - _ACCESS_AT)
    head = line[20 : found.start("access") - 1]
    ref = head[: 6 + shift].strip()
    pin = head[6 + shift : 11 + shift].strip().removeprefix("-").strip()
    net = line[3:17].strip()
    hole_mm = _number(found["hole"]) * mm
    width_mm = _number(found["width"]) * mm or hole_mm
    height_mm = _number(found["height"]) * mm or width_mm  # 0: a round pad
    return Pad(
        net=to_net_name(aliases.get(net, net)) or NO_NET,
        ref=ref,
        pin=pin,
        x_mm=_number(found["x"]) * mm,
        y_mm=_number(found["y"]) * mm,
        width_mm=width_mm,
        height_mm=height_mm,
        rotation_deg=_number(found["rotation"]) * degrees,
        access=int(_number(found["access"])),
        through=line[:3] == "317",
    )


def _number(text: str | None) -> float:
    digits = (text or "").replace(" ", "")
    return float(digits) if digits.strip("+-") else 0.0


def to_net_name(text: str) -> str:
    """Undo the escapes of a net name: ``{SLASH}`` is "/"."""
    return text.replace("{SLASH}", "/").replace("{slash}", "/")
