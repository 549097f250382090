"""What a reading says of a rail."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib import resources
from typing import Any

import numpy as np
from scipy.special import stdtrit

from hotspot.board import Board, Rail
from hotspot.rails.reading import Mode, Polarity, Reading


class Verdict(StrEnum):
    """What a reading says of a rail."""

    SHORT = "short"
    LOW = "low"
    HEALTHY = "healthy"
    OPEN = "open"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Expected:
    """What a good board reads.

    Attributes
    ----------
    value
        Volts or ohms; `math.inf` where a good board shows over-range.
    low, high
        Bounds within which one more good board reads.
    boards
        How many good boards stand behind it; 0 for the board pack's value.
    polarity
        Which probe was on ground.
    """

    value: float
    low: float
    high: float
    boards: int
    polarity: Polarity = Polarity.UNKNOWN


@dataclass(frozen=True, slots=True)
class RailVerdict:
    """The verdict on one rail.

    Attributes
    ----------
    target
        Rail or test point.
    verdict
        Short, low, healthy, open or unknown.
    sure
        Whether nothing speaks against it (two modes agree, or a good board was compared with).
    reasons
        One sentence each.
    readings
        What it rests on.
    nominal_v
        Of the rail, None if unknown.
    """

    target: str
    verdict: Verdict
    sure: bool
    reasons: tuple[str, ...]
    readings: tuple[Reading, ...]
    nominal_v: float | None = None


@cache
def _rules() -> Mapping[str, Any]:
    text = resources.files("hotspot.rails").joinpath("rail_rules.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def _limit(section: str, name: str) -> Any:
    return _rules()[section][name]["value"]


def expected_from_boards(
    values: Sequence[float], polarity: Polarity = Polarity.UNKNOWN
) -> Expected:
    """Return what a good board reads, from the readings of good boards.

    With one or two boards the tolerance is a fixed share; from three on it is the interval in
    which one more good board lies, mean ± t(n-1) · s · √(1 + 1/n).

    Raises
    ------
    ValueError
        If `values` is empty.
    """
    if len(values) == 0:
        raise ValueError("values must hold at least one reading")
    if any(math.isinf(v) for v in values):
        return Expected(math.inf, math.inf, math.inf, len(values), polarity)
    mean, n = float(np.mean(values)), len(values)
    half = _limit("tolerance", "default_share") * abs(mean)
    if n >= 3:
        quantile = float(stdtrit(n - 1, 0.5 + 0.5 * _limit("tolerance", "level")))
        half = quantile * float(np.std(values, ddof=1)) * math.sqrt(1 + 1 / n)
    half = max(half, _limit("tolerance", "least_share") * abs(mean))
    return Expected(mean, mean - half, mean + half, n, polarity)


def build_expected(
    board: Board | None, good_boards: Sequence[Sequence[Reading]] = ()
) -> dict[tuple[str, Mode], Expected]:
    """Return what good boards read, by rail name (letter case folded) and mode.

    Measured good boards come before the board pack's values.
    """
    found: dict[tuple[str, Mode], Expected] = {}
    for rail in board.rails if board else ():
        pairs = ((Mode.DIODE, rail.healthy_diode_v), (Mode.OHM, rail.healthy_ohm))
        for mode, value in pairs:
            if value is not None:
                half = _limit("tolerance", "default_share") * value
                key = (rail.name.casefold(), mode)
                found[key] = Expected(value, value - half, value + half, 0)
    measured: dict[tuple[str, Mode], list[Reading]] = {}
    for readings in good_boards:
        for r in readings:
            measured.setdefault((r.target.casefold(), r.mode), []).append(r)
    for key, group in measured.items():
        polarities = {r.polarity for r in group}
        polarity = polarities.pop() if len(polarities) == 1 else Polarity.UNKNOWN
        found[key] = expected_from_boards([r.value for r in group], polarity)
    return found


def judge_readings(
    readings: Iterable[Reading],
    *,
    board: Board | None = None,
    good_boards: Sequence[Sequence[Reading]] = (),
) -> tuple[RailVerdict, ...]:
    """Return the verdict on every rail that was measured, in the order measured.

    Parameters
    ----------
    readings
        Of the board on the bench.
    board
        Its board pack: nominal voltages and healthy values.
    good_boards
        Readings of known-good boards of the same type, one sequence a board.
    """
    expected = build_expected(board, good_boards)
    groups: dict[str, list[Reading]] = {}
    for reading in readings:
        groups.setdefault(reading.target.casefold(), []).append(reading)
    return tuple(
        _judge(group, board.rail(group[0].target) if board else None, expected)
        for group in groups.values()
    )


def _judge(
    group: Sequence[Reading], rail: Rail | None, expected: Mapping[tuple[str, Mode], Expected]
) -> RailVerdict:
    nominal = rail.nominal_v if rail else None
    votes: list[tuple[Verdict, bool, str]] = []
    # A later reading in the same mode replaces the earlier one: people measure again.
    for reading in {r.mode: r for r in group}.values():
        good = expected.get((reading.target.casefold(), reading.mode))
        votes.append(_judge_one(reading, good, nominal))
    reasons = [why for _, _, why in votes] + [n for r in group for n in r.notes]
    verdicts = {v for v, _, _ in votes} - {Verdict.UNKNOWN}
    if not verdicts:
        verdict, sure = Verdict.UNKNOWN, False
    elif len(verdicts) == 1:
        verdict = verdicts.pop()
        sure = any(s for v, s, _ in votes if v is verdict) or len(votes) > 1
    elif Verdict.SHORT in verdicts and Verdict.LOW in verdicts and len(verdicts) == 2:
        verdict, sure = Verdict.SHORT, any(s for v, s, _ in votes if v is Verdict.SHORT)
    else:
        settled = {v for v, s, _ in votes if s and v is not Verdict.UNKNOWN}
        verdict = settled.pop() if len(settled) == 1 else Verdict.UNKNOWN
        sure = False
        reasons.append("the two modes do not agree: measure again, discharged, same probes")
    return RailVerdict(group[0].target, verdict, sure, tuple(reasons), tuple(group), nominal)


def _judge_one(
    reading: Reading, good: Expected | None, nominal_v: float | None
) -> tuple[Verdict, bool, str]:
    """Return verdict, whether it is sure, and why."""
    shown = f"{reading.shown} in {reading.mode} mode"
    if reading.value < 0:
        return Verdict.UNKNOWN, False, f"{shown}: not usable"
    if good is not None:
        pair = {reading.polarity, good.polarity} - {Polarity.UNKNOWN}
        if len(pair) == 2 and reading.mode is Mode.DIODE:
            return Verdict.UNKNOWN, False, f"{shown}: the good board was read with probes swapped"
        return _against_good(reading, good, shown)
    core = nominal_v is None or nominal_v <= _limit("core", "nominal_at_most_v")
    if reading.is_open:
        return Verdict.OPEN, False, f"{shown}: no path at all; the line is open or not powered here"
    if reading.mode is Mode.DIODE:
        return _diode_alone(reading, shown)
    return _ohm_alone(reading, shown, core=core, nominal_v=nominal_v)


def _four_digits(value: float) -> str:
    """Return a value with four digits and never an exponent."""
    return f"{value:.4g}" if abs(value) < 1e4 else f"{value:.0f}"


def _against_good(reading: Reading, good: Expected, shown: str) -> tuple[Verdict, bool, str]:
    source = f"{good.boards} good board(s)" if good.boards else "the board pack"
    if math.isinf(good.value):
        if reading.is_open:
            return Verdict.HEALTHY, True, f"{shown}, as on {source}"
        low = Verdict.SHORT if reading.value < _floor(reading.mode) else Verdict.LOW
        return low, True, f"{shown}; {source} shows over-range"
    unit = "V" if reading.mode is Mode.DIODE else "Ω"
    value, low_end, high_end = (_four_digits(v) for v in (good.value, good.low, good.high))
    text = f"{shown}; {source}: {value} {unit} ({low_end} to {high_end})"
    if reading.is_open:
        return Verdict.OPEN, True, text
    if good.low <= reading.value <= good.high:
        return Verdict.HEALTHY, True, text
    if reading.value > good.high:
        return Verdict.UNKNOWN, False, f"{text}: higher than on a good board, a part may be missing"
    share = _limit("diode" if reading.mode is Mode.DIODE else "ohm", "short_share")
    if reading.value < share * good.value:
        return Verdict.SHORT, True, text
    return Verdict.LOW, True, text


def _floor(mode: Mode) -> float:
    if mode is Mode.DIODE:
        return float(_limit("diode", "short_below_v"))
    return float(_limit("ohm", "short_below_ohm"))


def _diode_alone(reading: Reading, shown: str) -> tuple[Verdict, bool, str]:
    low, high = _limit("diode", "plausible_v")
    if reading.value < _floor(Mode.DIODE):
        # Only this mode stays valid on core rails: a healthy chip still drops tens of millivolts.
        return Verdict.SHORT, reading.beep, f"{shown}: near zero, shorted to ground"
    if reading.value < low:
        return Verdict.LOW, False, f"{shown}: lower than lines usually read; compare a good board"
    if reading.value <= high:
        return Verdict.HEALTHY, False, f"{shown}: a plausible line; no good board to compare with"
    return Verdict.UNKNOWN, False, f"{shown}: high; compare a good board"


def _ohm_alone(
    reading: Reading, shown: str, *, core: bool, nominal_v: float | None
) -> tuple[Verdict, bool, str]:
    if reading.value >= _limit("ohm", "low_below_ohm"):
        if core and nominal_v is None:
            return Verdict.UNKNOWN, False, f"{shown}: no short; no good board to compare with"
        return Verdict.HEALTHY, False, f"{shown}: no short; no good board to compare with"
    if core:
        which = "a rail of unknown voltage" if nominal_v is None else f"a {nominal_v:g} V rail"
        why = f"{shown}: low, but {which} may read so when healthy; compare a good board"
        return Verdict.LOW, False, why
    if reading.value < _floor(Mode.OHM):
        return Verdict.SHORT, True, f"{shown}: a {nominal_v:g} V rail never reads so when healthy"
    return Verdict.LOW, False, f"{shown}: low for a {nominal_v:g} V rail"
