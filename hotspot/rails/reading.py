"""Meter readings: what people write down, as a number with a unit.

A meter in diode mode drives about 1 mA through the rail and shows the voltage across it, so a
short reads zero and an open line reads over-range. In resistance mode it shows ohms. People write
both in many ways: "0.34", ".238", "340m", "OL", "0L", "2.1k", "4R7", "0,5 ohm", "beep".
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from enum import StrEnum

from hotspot.errors import InputError

_LONGEST_TEXT = 200  # a reading with all its remarks; patterns take long on endless digits


class Mode(StrEnum):
    """What the meter was set to."""

    DIODE = "diode"  # volts across the rail at the meter's own small current
    OHM = "ohm"  # resistance, rail to ground


class Polarity(StrEnum):
    """Which probe was on ground."""

    RED_ON_GROUND = "red on ground"  # the usual way to compare lines in diode mode
    BLACK_ON_GROUND = "black on ground"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of one rail or test point.

    Attributes
    ----------
    target
        Rail or test point.
    mode
        Diode or ohm.
    value
        Volts or ohms, lead zero taken off; `math.inf` for over-range.
    text
        As written.
    polarity
        Which probe was on ground.
    beep
        The meter sounded: it saw a low resistance.
    lead_ohm
        Resistance of the meter leads taken off the value (ohm mode).
    notes
        What the reader of the text had to assume, one sentence each.
    """

    target: str
    mode: Mode
    value: float
    text: str
    polarity: Polarity = Polarity.UNKNOWN
    beep: bool = False
    lead_ohm: float = 0.0
    notes: tuple[str, ...] = ()

    @property
    def is_open(self) -> bool:
        """Whether the meter showed over-range."""
        return math.isinf(self.value)

    @property
    def shown(self) -> str:
        """The value as a person would write it, with its unit."""
        if self.is_open:
            return "OL"
        if self.mode is Mode.DIODE:
            return f"{self.value:.3f} V"
        for factor, prefix in ((1e6, "M"), (1e3, "k")):
            if abs(self.value) >= factor:
                return f"{self.value / factor:.4g} {prefix}Ω"
        return f"{self.value:.3g} Ω"


# Over-range as meters show it and people copy it: OL, 0L, O.L, .OL, OL., 0.L, OL MΩ, "open".
_OPEN = re.compile(
    r"^[-+]?[.\s]*[o0][.\s]*l[.\s]*(?:[mk]?\s*(?:v|Ω|Ω|ohms?))?$"
    r"|^(open|inf|infinite|infinity|∞|over|overload|>+)$",
    re.I,
)
_BEEP = re.compile(
    r"(?<![a-z])(?P<no>no\s+|without\s+)?"
    r"(?:beeps?|beeping|buzz(?:es|er)?|sounds?|tone)(?![a-z])|\){2,}",
    re.I,
)
_ABOUT = re.compile(r"^[~≈]\s*|\s*\?$")
_RISING = re.compile(r"(?<![a-z])(?:still\s+)?(?:rising|climbing|charging)(?![a-z])", re.I)
_PREFIX = {"": 1.0, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3, "K": 1e3, "M": 1e6}
_UNIT = r"(?P<unit>v|volts?|Ω|Ω|ohms?|r)?"
_NUMBER = re.compile(
    r"^(?P<number>[-+]?(?:\d+\.?\d*|\.\d+))\s*(?P<prefix>meg|Meg|MEG|[uµμmkKM])?\s*(?i:"
    + _UNIT
    + ")$"
)
# A letter in place of the decimal point: 4R7 = 4.7 ohm, 2k1 = 2.1 kohm (IEC 60062, RKM code).
_LETTER_POINT = re.compile(r"^(?P<whole>\d*)(?P<letter>[RrkKM])(?P<part>\d+)\s*(?i:Ω|Ω|ohms?)?$")
# Diode ranges end near 2 to 3 V, so a bare whole number above this was read off a display in mV.
_DIODE_TOP_V = 5.0


def parse_reading(
    text: str,
    *,
    target: str = "",
    mode: Mode = Mode.DIODE,
    polarity: Polarity = Polarity.UNKNOWN,
    lead_ohm: float = 0.0,
) -> Reading:
    """Return the reading that a person wrote as `text`.

    Parameters
    ----------
    text
        "0.34", ".238", "340m", "OL", "0L", "2.1k", "4R7", "0,5 ohm", "0.000 beep" ...
    target
        Rail or test point.
    mode
        What the meter was set to, when the text has no unit. A unit in the text decides.
    polarity
        Which probe was on ground.
    lead_ohm
        What the meter shows with its probes touching; taken off ohm readings.

    Raises
    ------
    hotspot.errors.InputError
        With the text and how to write it.
    ValueError
        If `lead_ohm` is negative.
    """
    if not (math.isfinite(lead_ohm) and lead_ohm >= 0):
        raise ValueError(f"lead_ohm must be >= 0, got {lead_ohm!r}")
    if len(text) > _LONGEST_TEXT:
        raise _unreadable(f"{text[:20]} …", target)
    blank = Reading(target, mode, 0.0, text.strip(), polarity)
    words = text.strip().replace("−", "-").replace("–", "-")
    beep = any(not match["no"] for match in _BEEP.finditer(words))
    remarks: tuple[str, ...] = ()
    if _RISING.search(words):
        remarks = ("still rising when written down: wait until it settles",)
    words = _RISING.sub(" ", _BEEP.sub(" ", words)).strip(" ,;")
    words = _ABOUT.sub("", words)
    if not words or words.casefold() == "short":
        if not beep and not words:
            raise _unreadable(text, target)
        note = "a beep without a number: taken as zero, write the number down as well"
        return replace(blank, value=0.0, beep=beep, notes=(note,))
    if _OPEN.match(words):
        return replace(blank, value=math.inf, beep=beep)
    value, unit, notes = _number(words, mode, text, target)
    notes += remarks
    found = unit or mode
    if found is Mode.OHM:
        value, more = _without_leads(value, lead_ohm)
        return replace(
            blank, mode=found, value=value, beep=beep, lead_ohm=lead_ohm, notes=notes + more
        )
    if value < 0:
        notes += ("negative in diode mode: the rail still holds a charge, or a probe is swapped",)
    return replace(blank, mode=found, value=value, beep=beep, notes=notes)


def _number(
    words: str, mode: Mode, text: str, target: str
) -> tuple[float, Mode | None, tuple[str, ...]]:
    words = re.sub(r"(?<=\d),(?=\d)|^,(?=\d)", ".", words)  # decimal comma
    if words.count(".") > 1:
        raise _unreadable(text, target)
    letter = _LETTER_POINT.match(words)
    if letter:
        scale = 1.0 if letter["letter"] in "Rr" else _PREFIX[letter["letter"]]
        return float(f"{letter['whole'] or 0}.{letter['part']}") * scale, Mode.OHM, ()
    match = _NUMBER.match(words)
    if not match:
        raise _unreadable(text, target)
    raw, prefix, unit_word = (
        match["number"],
        match["prefix"] or "",
        (match["unit"] or "").casefold(),
    )
    scale = 1e6 if prefix.casefold() == "meg" else _PREFIX[prefix]
    value = float(raw) * scale
    unit = None if not unit_word else (Mode.DIODE if unit_word.startswith("v") else Mode.OHM)
    if unit is None and prefix in ("k", "K", "M", "meg", "Meg", "MEG"):
        unit = Mode.OHM  # nobody reads kilovolts off a diode test
    if (unit or mode) is Mode.OHM:
        return value, unit, ()
    if unit is None and not prefix and "." not in raw and abs(value) > _DIODE_TOP_V:
        return value * 1e-3, unit, (f"{raw} taken as millivolts",)
    if abs(value) > _DIODE_TOP_V:
        raise InputError(
            f"{text.strip()!r} is more than a diode test can show",
            where=target,
            cure="Add the unit: mV, V, Ω or kΩ",
        )
    lone = raw.lstrip("+") in ("1", "1.") and not prefix
    note = "a lone 1 is over-range on some meters: write OL if it was"
    return value, unit, (note,) if lone else ()


def _without_leads(ohms: float, lead_ohm: float) -> tuple[float, tuple[str, ...]]:
    if ohms < 0:
        return ohms, ("negative ohms: the rail still holds a charge; discharge and measure again",)
    if ohms < lead_ohm:
        return 0.0, (f"less than the leads' {lead_ohm:g} Ω: taken as zero",)
    return ohms - lead_ohm, ()


def _unreadable(text: str, target: str) -> InputError:
    return InputError(
        f"cannot read the meter value {text.strip()!r}",
        where=target,
        cure="Write it like 0.34, 340mV, OL, 2.1k or 0.3ohm",
    )


def parse_line(
    line: str,
    *,
    mode: Mode = Mode.DIODE,
    polarity: Polarity = Polarity.UNKNOWN,
    lead_ohm: float = 0.0,
) -> Reading:
    """Return the reading in a line such as "VSYS 0.002 beep", "V1V8=.238" or "VDD: 2.1k ohm".

    Raises
    ------
    hotspot.errors.InputError
        If there is no name or no readable value.
    """
    name, sep, rest = line.partition("=")
    if not sep:
        name, sep, rest = line.partition(":")
    if not sep:
        name, sep, rest = line.strip().partition(" ")
    if not name.strip() or not rest.strip():
        raise InputError(
            f"cannot read {line.strip()!r}", cure="Write RAIL=VALUE, for example VSYS=0.34"
        )
    words = rest.strip()
    for word in ("diode", "ohm mode", "resistance"):
        if words.casefold().startswith(word + " "):
            mode = Mode.DIODE if word == "diode" else Mode.OHM
            words = words[len(word) + 1 :]
    return parse_reading(
        words, target=name.strip(), mode=mode, polarity=polarity, lead_ohm=lead_ohm
    )
