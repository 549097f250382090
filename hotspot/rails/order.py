"""Into which rail to inject first, and where."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from hotspot.board import Board, Kind, Role, role_on_rail
from hotspot.rails.reading import Mode
from hotspot.rails.verdict import RailVerdict, Verdict


@dataclass(frozen=True, slots=True)
class InjectFirst:
    """Into which rail to inject first, and where."""

    target: str
    where: str
    xy_mm: tuple[float, float] | None
    reasons: tuple[str, ...]


def inject_order(
    verdicts: Iterable[RailVerdict], *, board: Board | None = None, triage_verdict: str = ""
) -> tuple[InjectFirst, ...]:
    """Return the rails worth injecting into, the first one first.

    Shorts come before low rails; then the rail that triage points at (the highest voltage for a
    main rail short, a lower one for a secondary rail short); then sure ones before doubtful ones;
    then the higher voltage, because a short upstream pulls the rails behind it down as well.
    """
    worth = [v for v in verdicts if v.verdict in (Verdict.SHORT, Verdict.LOW)]
    known = [v.nominal_v for v in worth if v.nominal_v is not None]
    known += [r.nominal_v for r in (board.rails if board else ()) if r.nominal_v is not None]
    top = max(known, default=None)

    def pointed(v: RailVerdict) -> bool:
        if top is None or v.nominal_v is None or triage_verdict[:4] not in ("main", "seco"):
            return False
        return (v.nominal_v == top) is triage_verdict.startswith("main")

    def key(v: RailVerdict) -> tuple[Any, ...]:
        ohms = min((r.value for r in v.readings if r.mode is Mode.OHM), default=math.inf)
        volts = -v.nominal_v if v.nominal_v is not None else 0.0
        return (v.verdict is not Verdict.SHORT, not pointed(v), not v.sure, volts, ohms)

    order = []
    for v in sorted(worth, key=key):
        where, xy = _where(v.target, board)
        reasons = [f"{v.verdict}: {v.reasons[0]}" if v.reasons else str(v.verdict)]
        if pointed(v):
            reasons.append(f"triage says {triage_verdict}")
        order.append(InjectFirst(v.target, where, xy, tuple(reasons)))
    return tuple(order)


def _where(target: str, board: Board | None) -> tuple[str, tuple[float, float] | None]:
    rail = board.rail(target) if board else None
    if board is None:
        return "at an inductor or a large capacitor of the rail", None
    if rail and rail.inject_at_mm:
        x, y = rail.inject_at_mm
        return f"at ({x:g}, {y:g}) mm, noted in the board pack", rail.inject_at_mm
    name = target.casefold()
    on_rail = [p for p in board.parts if name in {n.casefold() for n in p.nets}]
    points = [p for p in on_rail if p.kind is Kind.TEST_POINT]
    # A big capacitor has big end caps to hold a probe on, and hangs straight on the rail.
    caps = [
        p
        for p in on_rail
        if p.kind is Kind.CAPACITOR
        and role_on_rail(p, rail=target, ground=board.ground) is Role.SHUNT
    ]
    for p in (*points, *sorted(caps, key=lambda p: (-p.width_mm * p.height_mm, p.ref))):
        return f"at {p.ref} ({p.side} side)", (p.x_mm, p.y_mm)
    return "at an inductor or a large capacitor of the rail", None
