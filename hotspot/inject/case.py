"""From a board pack to the rail, the plate and the likely part."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from hotspot.board import Board, Kind, Rail, Role, find_roles
from hotspot.errors import BoardError
from hotspot.inject.packages import find_package
from hotspot.inject.prediction import Plate


@dataclass(frozen=True, slots=True)
class BoardCase:
    """What a board pack says about an injection.

    Attributes
    ----------
    rail
        The rail's own entry.
    plate
        Thickness and copper where the pack has them.
    package
        Commonest package among the capacitors from the rail to ground; "" when there is none.
    series_refs
        Series parts on the rail, whose resistance and rating the technician should give.
    """

    rail: Rail
    plate: Plate
    package: str
    series_refs: tuple[str, ...]


def to_board_case(board: Board, *, rail_name: str | None) -> BoardCase:
    """Return what `board` says about injecting into a rail.

    Raises
    ------
    BoardError
        If the rail is not named although there are several, or is not on the board.
    """
    names = ", ".join(r.name for r in board.rails) or "none"
    if rail_name is None and len(board.rails) != 1:
        raise BoardError("which rail?", where=board.name, cure=f"--rail with one of: {names}")
    rail = board.rails[0] if rail_name is None else board.rail(rail_name)
    if rail is None:
        cure = f"Rails of this board: {names}"
        raise BoardError(f"there is no rail '{rail_name}'", where=board.name, cure=cure)
    roles = list(zip(board.parts, find_roles(board, rail=rail.name), strict=True))
    sizes = Counter(
        body.name
        for part, role in roles
        if role is Role.SHUNT
        and part.kind is Kind.CAPACITOR
        and (body := find_package(part.package)) is not None
    )
    return BoardCase(
        rail=rail,
        plate=to_plate(board),
        package=sizes.most_common(1)[0][0] if sizes else "",
        series_refs=tuple(p.ref for p, role in roles if role is Role.SERIES),
    )


def to_plate(board: Board) -> Plate:
    """Return the board as a plate, with the thickness and copper that its pack has."""
    usual = Plate()
    thickness_mm = board.thickness_mm or usual.thickness_mm
    if not board.copper_layers or not board.copper_um:
        return Plate(thickness_mm=thickness_mm)
    # Traces and cut-outs leave about half of each layer's copper (common practice, no source).
    return Plate(thickness_mm=thickness_mm, copper_um=0.5 * board.copper_layers * board.copper_um)
