"""Currents as people type or paste them."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from hotspot.checks import FloatArray
from hotspot.errors import InputError


def parse_amps(text: str, *, name: str = "current") -> float:
    """Return amperes from "0.25", "0,25 A", "250mA" or "1 mA".

    Raises
    ------
    hotspot.errors.InputError
        If it is no current, or a negative one.
    """
    match = re.fullmatch(r"\s*(\d+[.,]?\d*|[.,]\d+)\s*(m?)\s*A?\s*", text, re.I)
    if match is None:
        raise InputError(
            f"cannot read the current {text.strip()!r}", where=name, cure="Write 0.25 or 250mA"
        )
    return float(match[1].replace(",", ".")) * (1e-3 if match[2] else 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class CurrentLog:
    """A pasted log: time, current and, if there, voltage."""

    t_s: FloatArray
    amps: FloatArray
    volts: FloatArray | None = None


def parse_current_log(text: str, *, name: str = "log") -> CurrentLog:
    """Return the log in CSV text as supplies and spreadsheets write it.

    Time is in seconds, or a time of day, or date and time. The separator may be comma, semicolon
    or tab, the decimal sign a comma where the separator is not. A header names the columns (time,
    current, voltage with s, ms, A, mA, V, mV); without one the columns are time in s, current in
    A, and voltage in V. A supply's ``injection.csv`` is read as well.

    Raises
    ------
    hotspot.errors.InputError
        Naming the line that cannot be read.
    """
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip()]
    if not lines:
        raise InputError("no readings in it", where=name, cure="Paste lines of time and current")
    sep = next((s for s in ("\t", ";", ",") if s in lines[0][1]), None)
    rows = [
        (n, [c.strip() for c in (next(csv.reader([line], delimiter=sep)) if sep else line.split())])
        for n, line in lines
    ]
    columns = {"t": (0, 1.0), "a": (1, 1.0), "v": (2, 1.0)}
    if any(re.search(r"[a-zA-Z]{1,}", c) and not _is_number(c) for c in rows[0][1]):
        columns = _columns(rows[0][1], where=f"{name} line {rows[0][0]}")
        rows = rows[1:]
    values: list[list[float]] = []
    time_at, amps_at = columns["t"][0], columns["a"][0]
    for n, cells in rows:
        if amps_at < len(cells) and not cells[amps_at]:
            continue  # a line that notes a switching only
        try:
            values.append(
                [
                    (_seconds(cells[at]) if at == time_at else _decimal(cells[at])) * scale
                    for at, scale in columns.values()
                    if at < len(cells)
                ]
            )
        except ValueError as err:
            raise InputError(
                f"cannot read {sep.join(cells) if sep else ' '.join(cells)!r}",
                where=f"{name} line {n}",
                cure="Each line is time in s and current in A",
            ) from err
    width = min(len(v) for v in values) if values else 0
    if width < 2 or len(values) < 2:
        raise InputError(
            "needs at least two lines of time and current", where=name, cure="Log for longer"
        )
    table = np.array([v[:width] for v in values])
    if not np.isfinite(table).all() or (np.diff(table[:, 0]) < 0).any():
        raise InputError("times must increase and all values be finite", where=name)
    table[:, 0] -= table[0, 0]
    return CurrentLog(table[:, 0], table[:, 1], table[:, 2] if width > 2 else None)


def _decimal(cell: str) -> float:
    return float(cell.replace(",", "."))


def _seconds(cell: str) -> float:
    """Return seconds from a number, a time of day or a date and time."""
    if ":" not in cell:
        return _decimal(cell)
    if re.fullmatch(r"\d{1,2}:\d\d(:\d\d([.,]\d+)?)?", cell):
        hours, minutes, *rest = cell.split(":")
        return 3600.0 * int(hours) + 60.0 * int(minutes) + (_decimal(rest[0]) if rest else 0.0)
    return datetime.fromisoformat(cell.replace(",", ".")).timestamp()


def _is_number(cell: str) -> bool:
    try:
        _seconds(cell)
    except ValueError:
        return False
    return True


def _columns(header: Sequence[str], *, where: str) -> dict[str, tuple[int, float]]:
    found: dict[str, tuple[int, float]] = {}
    patterns = {
        "t": r"^(t|time|s|ms|seconds?|t_s|t_ms)\b",
        "a": r"(curr|amp|^i\b|^m?a\b|_m?a$)",
        "v": r"(volt|^u\b|^m?v\b|_m?v$)",
    }
    for key, pattern in patterns.items():
        for at, cell in enumerate(header):
            if re.search(pattern, cell.strip(), re.I):
                milli = re.search(r"(^|[\s_(\[/])m(a|v|s)\b|milli", cell, re.I)
                found[key] = (at, 1e-3 if milli else 1.0)
                break
    if "t" not in found or "a" not in found:
        raise InputError(
            f"no time and current columns in the header {', '.join(header)!r}",
            where=where,
            cure="Name them t_s and amps",
        )
    return found
