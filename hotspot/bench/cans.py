"""Shield cans: a thermal camera sees the can, not the parts under it."""

from __future__ import annotations

from hotspot.board import Board, Kind, Part


def find_can_over(board: Board, ref: str) -> str:
    """Return the shield can that covers a part, "" when the camera sees it."""
    part = board.part(ref)
    if part is None:
        return ""
    return next((p.ref for p in board.parts if _covers(p, part)), "")


def find_cans_on_rail(board: Board, rail: str | None) -> tuple[str, ...]:
    """Return the shield cans under which parts of a rail lie."""
    cans = [p for p in board.parts if p.kind is Kind.SHIELD]
    return tuple(
        can.ref
        for can in cans
        if any(rail in part.nets and _covers(can, part) for part in board.parts)
    )


def _covers(can: Part, part: Part) -> bool:
    if can.kind is not Kind.SHIELD or can is part or can.side != part.side:
        return False
    corners = can.corners_mm()
    (left, low), (right, high) = corners.min(axis=0), corners.max(axis=0)
    return bool(left < part.x_mm < right and low < part.y_mm < high)
