"""Outlines of parts drawn on the photo: moved, sized, taken away; each edit gives another board."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from hotspot.board import Board, Part
from hotspot.checks import finite_number
from hotspot.errors import InputError

# Smaller boxes are slips of the hand.
_LEAST_PX = 2.0


def edit_part(board: Board, event: Mapping[str, Any]) -> Board:
    """Return the board after an edit; one that makes no sense changes nothing.

    Parameters
    ----------
    board
        In photo px.
    event
        ``{"op": "shift", "ref", "dx", "dy"}``, ``{"op": "remove", "ref"}``, or ``{"op": "size",
        "ref", "x0", "y0", "x1", "y1"}`` with two opposite corners in photo px.

    Raises
    ------
    InputError
        If a part would become too small to be seen.
    """
    part = next((p for p in board.parts if p.ref == event.get("ref")), None)
    if part is None:
        return board
    op = event.get("op")
    if op == "remove":
        return replace(board, parts=tuple(p for p in board.parts if p is not part))
    if op == "shift":
        step = _numbers(event, "dx", "dy")
        if step is None:
            return board
        return _with(board, part, replace(part, x_mm=part.x_mm + step[0], y_mm=part.y_mm + step[1]))
    if op == "size":
        box = _numbers(event, "x0", "y0", "x1", "y1")
        if box is None or part.rotation_deg % 90 != 0:
            return board
        width, height = abs(box[2] - box[0]), abs(box[3] - box[1])
        if min(width, height) < _LEAST_PX:
            raise InputError("would be too small", where=part.ref, cure="Drag less, or zoom in")
        return _with(
            board,
            part,
            replace(
                part,
                x_mm=(box[0] + box[2]) / 2,
                y_mm=(box[1] + box[3]) / 2,
                width_mm=width,
                height_mm=height,
                rotation_deg=0.0,
            ),
        )
    return board


def _with(board: Board, old: Part, new: Part) -> Board:
    return replace(board, parts=tuple(new if p is old else p for p in board.parts))


def _numbers(event: Mapping[str, Any], *names: str) -> tuple[float, ...] | None:
    values = [finite_number(event.get(name)) for name in names]
    known = tuple(v for v in values if v is not None)
    return known if len(known) == len(values) else None
