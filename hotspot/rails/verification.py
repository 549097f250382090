"""Is the board repaired? Readings, recordings and power-up current, before and after, compared.

Works on plain findings (the JSON of ``hotspot find``, format 1), because one of the two usually
comes out of the job store.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from scipy.special import chdtri

from hotspot.checks import FloatArray
from hotspot.rails.signature import SupplySignature
from hotspot.rails.triage import Triage, triage
from hotspot.rails.verdict import RailVerdict, Verdict

REPAIRED = "repaired"
ANOTHER_FAULT = "another fault"
NOT_CONFIRMED = "not confirmed"


class Speaks(StrEnum):
    """What one piece of evidence says."""

    FOR = "for"  # the repair held
    ANOTHER = "another"  # there is another fault
    AGAINST = "against"  # the same fault is still there
    SILENT = "silent"  # says nothing either way


@dataclass(frozen=True, slots=True)
class Evidence:
    """One piece of evidence: where from ("reading", "recording", "power-up"), what it says."""

    kind: str
    speaks: Speaks
    says: str


@dataclass(frozen=True, slots=True)
class Verification:
    """Whether the repair held.

    Attributes
    ----------
    verdict
        `REPAIRED`, `ANOTHER_FAULT` or `NOT_CONFIRMED`.
    evidence
        Every piece looked at.
    next
        What to do next.
    """

    verdict: str
    evidence: tuple[Evidence, ...]
    next: str


def compare_verdicts(
    before: Sequence[RailVerdict], after: Sequence[RailVerdict]
) -> tuple[Evidence, ...]:
    """Return what the readings before and after say, rail by rail."""
    was = {v.target.casefold(): v for v in before}
    bad = (Verdict.SHORT, Verdict.LOW)
    out = []
    for now in after:
        then = was.pop(now.target.casefold(), None)
        shown = ", ".join(r.shown for r in now.readings)
        text = f"{now.target} reads {shown}: {now.verdict}"
        if then is not None:
            text += f" (was {then.verdict}, {', '.join(r.shown for r in then.readings)})"
        was_bad = then is None or then.verdict in bad
        if now.verdict is Verdict.SHORT:
            speaks = Speaks.AGAINST if was_bad else Speaks.ANOTHER
        elif now.verdict is Verdict.LOW:
            rose = then is not None and then.verdict is Verdict.SHORT
            speaks = Speaks.SILENT if rose else Speaks.AGAINST
        elif now.verdict is Verdict.HEALTHY:
            speaks = Speaks.FOR if was_bad else Speaks.SILENT
        elif now.verdict is Verdict.OPEN and then is not None and then.verdict in bad:
            speaks = Speaks.FOR if not now.sure else Speaks.ANOTHER
        elif then is not None and then.verdict in bad and _risen(then, now):
            speaks = Speaks.FOR
            text += "; no longer shorted, yet unlike the good board"
        else:
            speaks = Speaks.SILENT
        out.append(Evidence("reading", speaks, text))
    out += [
        Evidence("reading", Speaks.SILENT, f"{v.target} was {v.verdict} and was not measured again")
        for v in was.values()
        if v.verdict in bad
    ]
    return tuple(out)


# A short that is gone lets the reading rise by far more than a meter's scatter.
_RISEN = 10.0


def _risen(then: RailVerdict, now: RailVerdict) -> bool:
    """Return whether some mode was read both times and rose by more than `_RISEN` times."""
    was = {r.mode: r.value for r in then.readings}
    return any(r.mode in was and r.value > _RISEN * max(was[r.mode], 0.0) for r in now.readings)


# Two spots count as one place within the 99 % region of their joint error, and in any case within
# this distance: half the pitch of the smallest neighbouring parts, and more than a hand-placed
# camera comes back to.
_SAME_PLACE_MM = 0.5
_SAME_PLACE_PX = 3.0
_REGION = 0.99


def compare_findings(
    first: Mapping[str, Any] | None,
    second: Mapping[str, Any] | None,
    *,
    removed: Sequence[str] = (),
) -> tuple[Evidence, ...]:
    """Return what the recording after the repair says against the one before.

    Parameters
    ----------
    first, second
        Findings as plain data; None where there is no recording.
    removed
        References of the parts taken off.
    """
    if second is None:
        return ()
    if second["verdict"] == "cannot tell":
        says = "the second recording cannot tell whether anything warms"
        return (Evidence("recording", Speaks.SILENT, says),)
    if second["verdict"] == "no hot spot":
        if (second.get("injection") or {}).get("source") == "none":
            says = "nothing warms in the second recording, but nothing shows that current was on"
            return (Evidence("recording", Speaks.SILENT, says),)
        if first is not None and first["verdict"] == "hot spot":
            says = "the spot of the first recording is gone and no other has come"
            return (Evidence("recording", Speaks.FOR, says),)
        says = "no hot spot in the second recording, nor was there one in the first to compare with"
        return (Evidence("recording", Speaks.SILENT, says),)
    out = []
    gone = {ref.casefold() for ref in removed}
    for spot in second["spots"]:
        if spot["role"] == "path":
            continue
        number = second["spots"].index(spot)
        named = [s for s in second["suspects"] if s["spot"] == number]
        best = max(named, key=lambda s: s["probability"], default=None)
        who = f" (most likely {best['ref']}, {best['probability']:.0%})" if best else ""
        distance, unit, same = _nearest(spot, first)
        if same and best and best["ref"].casefold() in gone:
            who = f" ({best['ref']}, which was taken off: look at its pads and neighbours)"
        if same:
            says = f"the spot is still there{who}"
            out.append(Evidence("recording", Speaks.AGAINST, says))
        elif distance is None:
            says = f"something warms{who}, and there is no first spot to compare with"
            out.append(Evidence("recording", Speaks.AGAINST, says))
        else:
            says = f"another spot, {distance:.1f} {unit} from the first{who}"
            out.append(Evidence("recording", Speaks.ANOTHER, says))
    if not out:
        says = "only parts that carry the current warm in the second recording"
        out.append(Evidence("recording", Speaks.SILENT, says))
    return tuple(out)


def _nearest(
    spot: Mapping[str, Any], first: Mapping[str, Any] | None
) -> tuple[float | None, str, bool]:
    """Return distance to the nearest fault spot of the first finding, its unit, and same place."""
    best: tuple[float | None, str, bool] = (None, "", False)
    for other in first["spots"] if first else ():
        if other["role"] == "path":
            continue
        in_mm = spot.get("board_xy_mm") is not None and other.get("board_xy_mm") is not None
        where, cov = (
            ("board_xy_mm", "board_cov_mm2") if in_mm else ("thermal_xy_px", "thermal_cov_px2")
        )
        step: FloatArray = np.subtract(spot[where], other[where])
        distance = float(np.hypot(*step))
        joint = _cov(spot.get(cov)) + _cov(other.get(cov))
        radius = _SAME_PLACE_MM if in_mm else _SAME_PLACE_PX
        far = distance > radius
        if far and np.linalg.det(joint) > 0:
            far = float(step @ np.linalg.solve(joint, step)) > float(chdtri(2, 1 - _REGION))
        if best[0] is None or distance < best[0]:
            best = (distance, "mm" if in_mm else "px", not far)
        elif not far:
            best = (best[0], best[1], True)
    return best


def _cov(value: Any) -> FloatArray:
    return np.zeros((2, 2)) if value is None else np.asarray(value, dtype=np.float64)


# How far the power-up currents of two healthy boards of one type may lie apart: state of charge,
# display and radio make a factor of two ordinary (common practice, no source).
_CURRENT_FACTOR = 2.0


_FAULTS = ("main rail short", "secondary rail short", "leakage", "boot loop")
# Below an even chance a rule of triage is no witness against a repair.
_LIKELY = 0.5


def compare_power_up(
    now: SupplySignature | None, healthy: SupplySignature | None = None, rules: Any = None
) -> tuple[Evidence, ...]:
    """Return what the power-up current says, by the rules of triage and a healthy board's."""
    if now is None:
        return ()
    result: Triage = triage(now, rules)
    why = result.reasons[0].says if result.reasons else "no rule of triage applies"
    speaks = Speaks.SILENT
    if result.verdict == "normal":
        speaks = Speaks.FOR
    elif result.verdict in _FAULTS and result.confidence >= _LIKELY:
        speaks = Speaks.ANOTHER
    out = [Evidence("power-up", speaks, f"{result.verdict}: {why}")]
    if healthy is not None:
        out.append(_against_healthy(now, healthy))
    return tuple(out)


def _against_healthy(now: SupplySignature, healthy: SupplySignature) -> Evidence:
    apart = []
    pairs = {
        "before the button": (now.before_a, healthy.before_a, 0.005),
        "peak": (now.press_peak_a, healthy.press_peak_a, 0.02),
        "at the end": (now.settled_a, healthy.settled_a, 0.02),
    }
    compared = 0
    for name, (a, b, floor) in pairs.items():
        if a is None or b is None:
            continue
        compared += 1
        # `floor` is below what a bench supply's display resolves as a difference.
        if max(a, floor) > _CURRENT_FACTOR * max(b, floor) or max(b, floor) > _CURRENT_FACTOR * max(
            a, floor
        ):
            apart.append(f"{name} {a:.3g} A, healthy {b:.3g} A")
    if not compared:
        return Evidence("power-up", Speaks.SILENT, "nothing to compare with the healthy board")
    if apart:
        return Evidence("power-up", Speaks.SILENT, "unlike the healthy board: " + "; ".join(apart))
    return Evidence("power-up", Speaks.FOR, "current as on the healthy board")


def verify_repair(evidence: Sequence[Evidence]) -> Verification:
    """Return the verdict on the repair.

    "repaired" needs a reading that has become good and one more witness (the spot gone, or a
    normal start), and nothing against it. A reading alone never proves it, and neither does a
    start without a reading.
    """
    kinds_for = {e.kind for e in evidence if e.speaks is Speaks.FOR}
    another = [e for e in evidence if e.speaks is Speaks.ANOTHER]
    against = [e for e in evidence if e.speaks is Speaks.AGAINST]
    pieces = tuple(evidence)
    # A start that fails while the old short is still there is no second fault.
    if another and not (against and all(e.kind == "power-up" for e in another)):
        step = "Measure the rails again and record the next one that reads short"
        return Verification(ANOTHER_FAULT, pieces, step)
    if against:
        step = "The fault is still there: clean the pads, measure again, record again"
        return Verification(NOT_CONFIRMED, pieces, step)
    unmeasured = any(e.says.endswith("was not measured again") for e in evidence)
    if "reading" in kinds_for and not unmeasured and len(kinds_for) >= 2:
        if "power-up" in kinds_for:
            step = "Fit the new part, check the charging current, close up"
        else:
            step = "Power up at battery voltage and check the current before closing up"
        return Verification(REPAIRED, pieces, step)
    if "reading" not in kinds_for or unmeasured:
        step = "Measure the rail to ground again with the part off"
    else:
        step = "Power up and note the current, or record again at the same setting"
    return Verification(NOT_CONFIRMED, pieces, step)


def verification_to_dict(result: Verification) -> dict[str, Any]:
    """Return the verification as plain data, the JSON of ``hotspot verify --json`` (format 1)."""
    return {
        "format": 1,
        "verdict": result.verdict,
        "evidence": [
            {"kind": e.kind, "speaks": str(e.speaks), "says": e.says} for e in result.evidence
        ],
        "next": result.next,
    }
