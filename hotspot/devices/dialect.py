"""The words of a supply family, as data in a TOML file."""

from __future__ import annotations

import math
import re
import string
import tomllib
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from hotspot.errors import InputError


@dataclass(frozen=True, slots=True)
class Dialect:
    """The words of one supply family; the defaults are SCPI's own (SCPI-1999, vol. 2).

    Attributes
    ----------
    name
        For messages.
    prepare
        Lines sent first: remote mode, channel.
    identify, set_volts, set_amps, ask_set_volts, ask_set_amps
        Words; ``{volts}`` and ``{amps}`` stand for the value and may carry a format.
    output_on, output_off, ask_output
        Output; `ask_output` empty when the supply cannot say.
    measure_volts, measure_amps
        Measured values.
    set_over_volts, set_over_amps
        The supply's own protections; empty when it has none.
    ask_tripped
        Answers non-zero after a trip; empty when it cannot say.
    set_timer
        Switches the output off by itself after ``{seconds}``; empty when it has none.
    ask_error
        Error queue; an answer that does not begin with 0 is an error. Empty for none.
    termination, baud_rate, timeout_s
        Of the wire.
    tolerance_rel, tolerance_v, tolerance_a
        How far a set point may read back from what was sent.
    """

    name: str = "SCPI"
    prepare: tuple[str, ...] = ()
    identify: str = "*IDN?"
    set_volts: str = "VOLT {volts:.3f}"
    set_amps: str = "CURR {amps:.3f}"
    ask_set_volts: str = "VOLT?"
    ask_set_amps: str = "CURR?"
    output_on: str = "OUTP ON"
    output_off: str = "OUTP OFF"
    ask_output: str = "OUTP?"
    measure_volts: str = "MEAS:VOLT?"
    measure_amps: str = "MEAS:CURR?"
    set_over_volts: str = ""
    set_over_amps: str = ""
    ask_tripped: str = ""
    set_timer: str = ""
    ask_error: str = "SYST:ERR?"
    termination: str = "\n"
    baud_rate: int = 9600
    timeout_s: float = 0.5
    tolerance_rel: float = 0.001
    tolerance_v: float = 0.002
    tolerance_a: float = 0.002


_MOST_BYTES = 1 << 16
_LONG_SPEC = re.compile(r"\{[^{}]*\d{3}[^{}]*\}|\{[^{}]*\{")
_MUST = ("identify", "set_volts", "set_amps", "output_on", "output_off")
_PLACES = {
    "set_volts": "volts",
    "set_amps": "amps",
    "set_over_volts": "volts",
    "set_over_amps": "amps",
    "set_timer": "seconds",
}


def load_dialect(path: Path) -> Dialect:
    """Read a dialect from a TOML file; what it does not name is SCPI's own word.

    Raises
    ------
    InputError
        With file, key and cure.
    """
    where = str(path)
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise ValueError("too large")
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as err:
        cure = "Give a TOML file with one word of the supply a line"
        raise InputError(f"cannot read the dialect: {err}", where=where, cure=cure) from err
    known = {f.name: f for f in fields(Dialect)}
    defaults = Dialect()
    values: dict[str, Any] = {}
    for key, value in table.items():
        if key not in known:
            cure = f"Known keys: {', '.join(known)}"
            raise InputError(f"key '{key}' is not known", where=where, cure=cure)
        usual = getattr(defaults, key)
        if isinstance(usual, tuple) and isinstance(value, list):
            value = tuple(str(line) for line in value)
        if isinstance(usual, float) and isinstance(value, int) and not isinstance(value, bool):
            value = float(value)
        if type(value) is not type(usual):
            kind = type(usual).__name__
            raise InputError(f"key '{key}' must be of type {kind}", where=where, cure="Mend it")
        values[key] = value
    dialect = Dialect(**values)
    _check_words(dialect, where)
    return dialect


def _check_words(dialect: Dialect, where: str) -> None:
    for key in _MUST:
        if not getattr(dialect, key):
            raise InputError(f"key '{key}' must not be empty", where=where, cure="Give its word")
    for key, place in _PLACES.items():
        word = getattr(dialect, key)
        if not word:
            continue
        if _LONG_SPEC.search(word):  # "{volts:999999999}" would fill the memory
            raise InputError(f"key '{key}' is not usable", where=where, cure="Shorten its numbers")
        try:
            names = {name for _, name, _, _ in string.Formatter().parse(word) if name is not None}
            word.format(**{place: 1.0})
        except (ValueError, KeyError, IndexError) as err:
            raise InputError(
                f"key '{key}' is not usable: {word!r}", where=where, cure=f"Write {{{place}:.3f}}"
            ) from err
        if names != {place}:
            cure = f"Write {{{place}:.3f}} where the value goes"
            raise InputError(f"key '{key}' has no place for the value", where=where, cure=cure)
    if not (math.isfinite(dialect.timeout_s) and 0.0 < dialect.timeout_s <= 10.0):
        raise InputError("key 'timeout_s' must be in 0 to 10", where=where, cure="Mend it")
