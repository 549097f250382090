"""Triage: what the supply's current says, by rules that are data.

The rules stand in `triage_rules.toml`, each with its thresholds, its words, its confidence and its
source; a shop may hand over its own file. The code only evaluates them.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Any

from hotspot.errors import InputError
from hotspot.rails.signature import SupplySignature

CANNOT_TELL = "cannot tell"

_LONG_SPEC = re.compile(r"\{[^{}]*\d{3}[^{}]*\}|\{[^{}]*\{")


@dataclass(frozen=True, slots=True)
class Condition:
    """One number against one threshold; `firm` ones do not soften the confidence."""

    number: str
    at_least: float | None = None
    below: float | None = None
    firm: bool = False


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of triage."""

    id: str
    verdict: str
    confidence: float
    conditions: tuple[Condition, ...]
    says: str
    next: str
    source: str


@dataclass(frozen=True, slots=True)
class Rules:
    """All rules and the factor within which a number counts as close to its threshold."""

    rules: tuple[Rule, ...]
    margin: float


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a rule holds."""

    rule: str
    verdict: str
    confidence: float
    says: str
    next: str
    source: str


@dataclass(frozen=True, slots=True)
class Triage:
    """What the supply's current says.

    Attributes
    ----------
    verdict
        "main rail short", "secondary rail short", "leakage", "no prompt to boot", "boot loop",
        "boot stops early", "normal" or "cannot tell".
    confidence
        0 to 1.
    next
        The next measurement to take.
    reasons
        The rules that hold, the most confident first.
    missing
        Numbers that were not measured and that a rule would have used.
    signature
        What was looked at.
    """

    verdict: str
    confidence: float
    next: str
    reasons: tuple[Reason, ...]
    missing: tuple[str, ...]
    signature: SupplySignature


def load_rules(text: str | None = None, *, name: str = "triage_rules.toml") -> Rules:
    """Return the rules in TOML `text`; the project's own when None.

    Raises
    ------
    hotspot.errors.InputError
        Naming the rule and the key that cannot be used.
    """
    if text is None:
        text = resources.files("hotspot.rails").joinpath(name).read_text(encoding="utf-8")
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as err:
        raise InputError(f"not TOML: {err}", where=name) from err
    entries, margin = data.get("rules", []), data.get("margin", 2.0)
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise InputError("rules must be tables", where=name, cure="Write [[rules]]")
    if isinstance(margin, bool) or not isinstance(margin, (int, float)):
        raise InputError("margin must be a number", where=name, cure="Write margin = 2.0")
    rules = tuple(_rule(entry, n, name) for n, entry in enumerate(entries, 1))
    if not rules or not margin > 1.0:
        raise InputError("needs [[rules]] and a margin above 1", where=name)
    return Rules(rules, margin)


def _rule(entry: Mapping[str, Any], n: int, name: str) -> Rule:
    where = f"{name} rule {entry.get('id', n)}"
    known = {*SupplySignature.__dataclass_fields__} - {"notes"} | {
        "rise_a", "held", "before_of_limit", "settled_of_limit", "sag",
    }  # fmt: skip
    try:
        conditions = tuple(Condition(**c) for c in entry["all"])
        rule = Rule(
            id=str(entry["id"]),
            verdict=str(entry["verdict"]),
            confidence=float(entry["confidence"]),
            conditions=conditions,
            says=str(entry["says"]),
            next=str(entry["next"]),
            source=str(entry["source"]),
        )
        if _LONG_SPEC.search(rule.says):  # a width of "{before_a:999999999}" would fill the memory
            raise ValueError("says has a number too long for a place")
        rule.says.format_map(dict.fromkeys(known, 0.0))
    except (KeyError, TypeError, ValueError, IndexError) as err:
        raise InputError(
            f"cannot be used: {err}",
            where=where,
            cure="A rule has id, verdict, confidence, all, says, next and source",
        ) from err
    for c in conditions:
        if c.number not in known or (c.at_least is None) == (c.below is None):
            raise InputError(
                f"condition on {c.number!r} cannot be used",
                where=where,
                cure=f"Use at_least or below with one of {', '.join(sorted(known))}",
            )
    if not 0 < rule.confidence <= 1:
        raise InputError("confidence must be above 0 and at most 1", where=where)
    return rule


def triage(signature: SupplySignature, rules: Rules | None = None) -> Triage:
    """Return what the signature says by the rules."""
    book = load_rules() if rules is None else rules
    numbers = signature.features()
    reasons = []
    for rule in book.rules:
        if all(_holds(c, numbers) for c in rule.conditions):
            softness = min(
                (_clearness(c, numbers, book.margin) for c in rule.conditions), default=1
            )
            says = rule.says.format_map(numbers)
            reasons.append(
                Reason(
                    rule.id,
                    rule.verdict,
                    rule.confidence * (0.5 + 0.5 * softness),
                    says,
                    rule.next,
                    rule.source,
                )
            )
    reasons.sort(key=lambda r: -r.confidence)
    wanted = ("before_a", "press_peak_a", "settled_a")
    missing = tuple(name for name in wanted if name not in numbers)
    if not reasons:
        ask = {
            "before_a": "Note the current before the power button is pressed",
            "press_peak_a": "Press the power button and note the highest current",
            "settled_a": "Note the current some seconds after the press",
        }
        step = ask[missing[0]] if missing else "Measure the rails to ground in diode mode"
        return Triage(CANNOT_TELL, 0.0, step, (), missing, signature)
    best = reasons[0]
    return Triage(best.verdict, best.confidence, best.next, tuple(reasons), missing, signature)


def _holds(c: Condition, numbers: Mapping[str, float]) -> bool:
    if c.number not in numbers:
        return False
    value = numbers[c.number]
    return value >= c.at_least if c.at_least is not None else value < (c.below or 0.0)


def _clearness(c: Condition, numbers: Mapping[str, float], margin: float) -> float:
    """Return 0 at the threshold, 1 when `margin` times or more away from it."""
    bound = c.at_least if c.at_least is not None else c.below
    if c.firm or not bound:
        return 1.0
    value = numbers[c.number]
    if value <= 0:
        return 1.0
    return min(1.0, abs(math.log(value / bound)) / math.log(margin))


def triage_to_dict(result: Triage) -> dict[str, Any]:
    """Return the triage as plain data, the JSON of ``hotspot triage --json`` (format 1)."""
    return {
        "format": 1,
        "verdict": result.verdict,
        "confidence": round(result.confidence, 4),
        "next": result.next,
        "reasons": [
            {
                "rule": r.rule,
                "verdict": r.verdict,
                "confidence": round(r.confidence, 4),
                "says": r.says,
                "next": r.next,
                "source": r.source,
            }
            for r in result.reasons
        ],
        "missing": list(result.missing),
        "notes": list(result.signature.notes),
        "numbers": dict(result.signature.features()),
    }
