"""What the bench supply shows when the board is connected and the power button is pressed.

The current over time is turned into a few numbers; what they mean is not decided here but by the
rules in `triage_rules.toml`.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from hotspot.checks import FloatArray
from hotspot.errors import InputError

# Share of the way from idle to peak below which the current counts as fallen back to idle, and
# above which it counts as risen again. Two levels, so that ripple at one level is not counted.
_FALLEN, _RISEN = 0.15, 0.5
# The last part of the log that counts as "settled".
_SETTLED_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class SupplySignature:
    """The numbers that the rules of triage look at.

    Attributes
    ----------
    before_a
        Current before the button is pressed.
    press_peak_a
        Highest current after the press (95th percentile of a log, so that one spike is not it).
    settled_a
        Current at the end.
    returns
        How often the current fell back to idle after having risen.
    period_s
        Typical time between the rises, None with fewer than two.
    spread
        Standard deviation over mean after the press, None when not logged.
    limit_a
        Current limit set at the supply, None if not known.
    supply_v
        Voltage set at the supply, None if not known.
    lowest_v
        Lowest voltage logged, None if not logged.
    samples
        Readings after the press; 1 to 3 when typed in.
    """

    before_a: float | None = None
    press_peak_a: float | None = None
    settled_a: float | None = None
    returns: int = 0
    period_s: float | None = None
    spread: float | None = None
    limit_a: float | None = None
    supply_v: float | None = None
    lowest_v: float | None = None
    samples: int = 0

    def features(self) -> Mapping[str, float]:
        """Return every number that is known, with the derived ones, by name."""
        known: dict[str, float] = {
            name: float(value)
            for name in self.__dataclass_fields__
            if (value := getattr(self, name)) is not None
        }
        if self.before_a is not None and self.press_peak_a is not None:
            known["rise_a"] = max(self.press_peak_a - self.before_a, 0.0)
        if self.press_peak_a and self.settled_a is not None:
            known["held"] = self.settled_a / self.press_peak_a
        if self.limit_a:
            if self.before_a is not None:
                known["before_of_limit"] = self.before_a / self.limit_a
            if self.settled_a is not None:
                known["settled_of_limit"] = self.settled_a / self.limit_a
        if self.supply_v and self.lowest_v is not None:
            known["sag"] = 1.0 - self.lowest_v / self.supply_v
        return known


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


def build_signature(
    *,
    before_a: float | None = None,
    press_a: float | None = None,
    later_a: Sequence[float] = (),
    limit_a: float | None = None,
    supply_v: float | None = None,
) -> SupplySignature:
    """Return the signature typed in by hand.

    Parameters
    ----------
    before_a, press_a
        Current before and on pressing the power button.
    later_a
        Currents after that, in order, about a second apart.
    limit_a, supply_v
        What the supply is set to.

    Raises
    ------
    ValueError
        For a negative or non-finite value.
    """
    named = {"before_a": before_a, "press_a": press_a, "limit_a": limit_a, "supply_v": supply_v}
    for name, value in [*named.items(), *(("later_a", v) for v in later_a)]:
        if value is not None and not (math.isfinite(value) and value >= 0):
            raise ValueError(f"{name} must be >= 0, got {value!r}")
    after = [*([] if press_a is None else [press_a]), *later_a]
    idle = before_a or 0.0
    times = np.arange(len(after), dtype=np.float64)
    returns, period = _returns(times, np.asarray(after, dtype=np.float64), idle)
    return SupplySignature(
        before_a=before_a,
        press_peak_a=max(after) if after else None,
        settled_a=after[-1] if after else None,
        returns=returns,
        period_s=period,
        limit_a=limit_a,
        supply_v=supply_v,
        samples=len(after),
    )


def measure_signature(
    t_s: FloatArray,
    amps: FloatArray,
    *,
    press_s: float | None = None,
    volts: FloatArray | None = None,
    limit_a: float | None = None,
    supply_v: float | None = None,
) -> SupplySignature:
    """Return the signature of a logged current.

    Parameters
    ----------
    t_s, amps
        (n,) time in s, increasing, and current in A.
    press_s
        When the power button was pressed. None: at the first clear rise; without one the button
        counts as not pressed.
    volts
        (n,) supply voltage, if logged.
    limit_a, supply_v
        What the supply is set to.

    Raises
    ------
    ValueError
        If the arrays differ in length or hold fewer than two readings.
    """
    t = np.asarray(t_s, dtype=np.float64)
    a = np.asarray(amps, dtype=np.float64)
    if t.shape != a.shape or t.ndim != 1 or t.size < 2:
        raise ValueError(
            f"t_s and amps must both have shape (n,), n >= 2, got {t.shape}, {a.shape}"
        )
    press = _first_rise(t, a) if press_s is None else press_s
    idle_part = a if press is None else a[t < press]
    before = float(np.median(idle_part)) if idle_part.size else None
    lowest = None if volts is None else float(np.nanmin(volts))
    after = np.zeros(0) if press is None else a[t >= press]
    if not after.size:
        return SupplySignature(before_a=before, limit_a=limit_a, supply_v=supply_v, lowest_v=lowest)
    tail = after[-max(1, round(_SETTLED_SHARE * after.size)) :]
    returns, period = _returns(t[-after.size :], after, before or 0.0)
    mean = float(np.mean(after))
    return SupplySignature(
        before_a=before,
        press_peak_a=float(np.percentile(after, 95)),
        settled_a=float(np.median(tail)),
        returns=returns,
        period_s=period,
        spread=float(np.std(after)) / mean if mean > 0 else None,
        limit_a=limit_a,
        supply_v=supply_v,
        lowest_v=lowest,
        samples=int(after.size),
    )


def _first_rise(t: FloatArray, a: FloatArray) -> float | None:
    """Return when the current first leaves its first level, by far more than its own scatter."""
    head = a[: max(3, a.size // 20)]
    level = float(np.median(head))
    # 1.4826 times the median deviation is the standard deviation of normal noise; 5 mA is below
    # any prompt to boot and above a supply's display noise.
    scatter = 1.4826 * float(np.median(np.abs(head - level)))
    above = np.flatnonzero(a > level + max(6.0 * scatter, 0.005, 0.2 * level))
    return float(t[above[0]]) if above.size and above[0] > 0 else None


def _returns(t: FloatArray, a: FloatArray, idle_a: float) -> tuple[int, float | None]:
    """Count falls back to idle after a rise, and the typical time between rises."""
    if a.size < 2:
        return 0, None
    swing = float(np.percentile(a, 95)) - idle_a
    if swing <= 0:
        return 0, None
    level = (a - idle_a) / swing
    up, count = False, 0
    rises: list[float] = []
    for time, value in zip(t, level, strict=True):
        if not up and value > _RISEN:
            up = True
            rises.append(float(time))
        elif up and value < _FALLEN:
            up = False
            count += 1
    return count, float(np.median(np.diff(rises))) if len(rises) > 1 else None


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
