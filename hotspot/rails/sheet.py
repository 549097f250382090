"""Many readings at once: a file of them in, the verdicts out as plain data."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from typing import Any

from hotspot.errors import InputError
from hotspot.rails.order import InjectFirst
from hotspot.rails.reading import Mode, Polarity, Reading, parse_line, parse_reading
from hotspot.rails.verdict import RailVerdict

_COLUMNS = {
    "target": ("target", "rail", "point", "line", "net"),
    "reading": ("reading", "value", "text"),
    "mode": ("mode",),
    "polarity": ("polarity",),
    "phase": ("phase",),
}


def parse_readings(
    text: str,
    *,
    name: str = "readings",
    mode: Mode = Mode.DIODE,
    polarity: Polarity = Polarity.UNKNOWN,
    lead_ohm: float = 0.0,
) -> tuple[Reading, ...]:
    """Return the readings in a file: CSV with a header, or lines such as "VSYS 0.34".

    The CSV header names ``target`` and ``reading``, and may name ``mode`` and ``polarity``. Empty
    lines and what follows a ``#`` are left out.

    Raises
    ------
    hotspot.errors.InputError
        Naming the line that cannot be read.
    """
    lines = [
        (n, line.split("#", 1)[0].strip())
        for n, line in enumerate(text.lstrip("\ufeff").splitlines(), 1)
    ]
    lines = [(n, line) for n, line in lines if line]
    if not lines:
        raise InputError("holds no readings", where=name, cure="Write lines such as VSYS=0.34")
    sep = next((s for s in (";", "\t", ",") if s in lines[0][1]), None)
    header = _header(lines[0][1], sep) if sep else {}
    out = []
    for n, line in lines[1:] if header else lines:
        try:
            if header:
                cells = [c.strip() for c in next(csv.reader([line], delimiter=sep or ","))]
                out.append(_from_cells(cells, header, mode, polarity, lead_ohm))
            else:
                out.append(parse_line(line, mode=mode, polarity=polarity, lead_ohm=lead_ohm))
        except InputError as error:
            raise InputError(error.what, where=f"{name} line {n}", cure=error.cure) from error
    return tuple(out)


def _header(line: str, sep: str) -> dict[str, int]:
    names = [c.strip().casefold() for c in line.split(sep)]
    found = {
        key: next(i for i, n in enumerate(names) if n in known)
        for key, known in _COLUMNS.items()
        if any(n in known for n in names)
    }
    return found if {"target", "reading"} <= set(found) else {}


def _from_cells(
    cells: Sequence[str], header: dict[str, int], mode: Mode, polarity: Polarity, lead_ohm: float
) -> Reading:
    def cell(key: str) -> str:
        at = header.get(key)
        return cells[at] if at is not None and at < len(cells) else ""

    if not cell("target"):
        raise InputError("names no rail", cure="Write the rail in the column target")
    try:
        mode = Mode(cell("mode").casefold()) if cell("mode") else mode
        polarity = Polarity(cell("polarity").casefold()) if cell("polarity") else polarity
    except ValueError as err:
        raise InputError(
            f"{err}", cure="mode is diode or ohm, polarity red on ground or black on ground"
        ) from err
    return parse_reading(
        cell("reading"), target=cell("target"), mode=mode, polarity=polarity, lead_ohm=lead_ohm
    )


def verdicts_to_dict(
    verdicts: Sequence[RailVerdict], order: Sequence[InjectFirst]
) -> dict[str, Any]:
    """Return verdicts and order as plain data, the JSON of ``hotspot readings`` (format 1)."""
    return {
        "format": 1,
        "rails": [
            {
                "target": v.target,
                "verdict": str(v.verdict),
                "sure": v.sure,
                "reasons": list(v.reasons),
                "nominal_v": v.nominal_v,
                "readings": [reading_to_dict(r) for r in v.readings],
            }
            for v in verdicts
        ],
        "inject_first": [
            {
                "target": o.target,
                "where": o.where,
                "xy_mm": None if o.xy_mm is None else list(o.xy_mm),
                "reasons": list(o.reasons),
            }
            for o in order
        ],
    }


def reading_to_dict(reading: Reading) -> dict[str, Any]:
    """Return a reading as plain data; an over-range value is null with `over_range` true."""
    diode = reading.mode is Mode.DIODE
    value = None if reading.is_open else reading.value
    return {
        "target": reading.target,
        "mode": str(reading.mode),
        "volts": value if diode else None,
        "ohms": None if diode else value,
        "over_range": reading.is_open,
        "text": reading.text,
        "polarity": str(reading.polarity),
        "beep": reading.beep,
        "notes": list(reading.notes),
    }
