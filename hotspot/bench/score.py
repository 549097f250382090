"""The score of a practice job, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from hotspot.bench.cameras import build_practice_scene
from hotspot.bench.cans import find_can_over
from hotspot.board import Board


@dataclass(frozen=True, slots=True)
class Score:
    """Points of 100, and one sentence for each share of them."""

    points: int
    lines: tuple[str, ...]


def score_practice(
    board: Board,
    *,
    seed: int,
    named: Sequence[str],
    findings: Sequence[Mapping[str, Any]],
    rails: Sequence[str],
    planned: bool,
) -> Score:
    """Return the score: 60 for the part, 20 for the plan, 10 for the rail, 10 for the evidence.

    Parameters
    ----------
    board, seed
        The practice stand.
    named
        Parts noted as taken off, in order.
    findings
        Findings from before the repair.
    rails
        Rails recorded under injection.
    planned
        Whether a plan was noted before injecting.
    """
    scene = build_practice_scene(board, seed=seed)
    truth = scene.circuit.short_ref or ""
    points, lines = 0, []
    first = named[0] if named else ""
    if first.casefold() == truth.casefold():
        points += 60
        lines.append(
            f"60: {truth} was shorted ({scene.circuit.short_ohm:.2g} Ω), and you took it off"
        )
    elif truth.casefold() in {n.casefold() for n in named}:
        points += 30
        lines.append(f"30: {truth} was shorted; {first} came off before it in vain")
    else:
        lines.append(f"0: {truth} was shorted, not {first}{_distance(board, first, truth)}")
    can = find_can_over(board, truth)
    if planned:
        points += 20
        lines.append("20: the set point was planned before current went in")
    else:
        lines.append("0: no plan was noted before current went in")
    if any(r.casefold() == (scene.rail or "").casefold() for r in rails):
        points += 10
        lines.append(f"10: the recording was taken on the shorted rail, {scene.rail}")
    else:
        lines.append(f"0: the shorted rail was {scene.rail}; it was not recorded")
    if any(f.get("verdict") == "hot spot" for f in findings):
        points += 10
        lines.append("10: the evidence shows a hot spot")
    elif can and findings:
        points += 10
        lines.append(f"10: the evidence says rightly that no part is seen: {truth} is under {can}")
    else:
        lines.append("0: no evidence with a hot spot was kept")
    if can:
        lines.append(
            f"{truth} lies under the shield can {can}: the camera sees the warm can, not the part. "
            "Lift the can, take a new cold baseline, and the part shows."
        )
    return Score(points, tuple(lines))


def _distance(board: Board, one: str, other: str) -> str:
    a, b = board.part(one), board.part(other)
    if a is None or b is None:
        return ""
    return f", {np.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm):.1f} mm away"
