"""A board pack out of design exports: centroids give bodies, the netlist gives nets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hotspot.board import Board, Kind, Part, Rail
from hotspot.checks import FloatArray
from hotspot.errors import BoardError
from hotspot.files.bodies import body_of, group_pads
from hotspot.files.centroids import Placement, load_bill_of_materials, load_centroids
from hotspot.files.designators import ground_names, kind_from_reference
from hotspot.files.ipc2581 import Ipc2581, load_ipc2581
from hotspot.files.netlists import NO_NET, Netlist, load_netlist
from hotspot.files.packages import is_metric_code
from hotspot.files.pairing import (
    is_mirrored,
    listed,
    match_parts,
    tell_unmatched,
    to_one_frame,
)
from hotspot.nets import is_rail_name, volts_from_name

_MIN_RAIL_PARTS = 2
# Frames of pins (headers of a module, a socket) are one to three on a board (common practice, no
# source); when more parts than this share hold others inside, the places are wrong.
_FEW_FRAMES, _MOST_FRAMES = 3, 0.1


@dataclass(frozen=True, slots=True)
class Sources:
    """Files to import from; at least one of the first three."""

    centroids: Path | None = None
    netlist: Path | None = None
    ipc2581: Path | None = None
    bill_of_materials: Path | None = None
    photo: Path | None = None


def import_board(
    sources: Sources,
    *,
    name: str,
    unit: str | None = None,
    mirrored_bottom: bool | None = None,
    ground: Sequence[str] = (),
    rails: Mapping[str, float | None] | None = None,
) -> Board:
    """Return a board put together from design exports.

    Parameters
    ----------
    sources
        The files.
    name
        Board type.
    unit
        Unit of the centroid table, if it does not say: "mm", "mil" or "inch".
    mirrored_bottom
        Whether the centroid table's x runs the other way on the bottom side; None finds out.
    ground
        Ground nets; found by name when empty.
    rails
        Net name to nominal volts (None: unknown); found by name when not given.

    Raises
    ------
    BoardError
        A file cannot be used, or a rail is on no part.
    """
    if sources.ipc2581 is not None:
        board = _from_ipc2581(load_ipc2581(sources.ipc2581), name=name)
        warnings = list(board.warnings)
    else:
        netlist = load_netlist(sources.netlist) if sources.netlist is not None else None
        warnings = list(netlist.warnings) if netlist is not None else []
        bill = (
            load_bill_of_materials(sources.bill_of_materials)
            if sources.bill_of_materials is not None
            else {}
        )
        if sources.centroids is not None:
            table = load_centroids(sources.centroids, unit=unit)
            told = netlist is None  # with a netlist the unit is checked against its pads
            warnings += [w for w in table.warnings if told or "unit" not in w]
            placements = [_with_bill(p, bill) for p in table.placements]
        elif netlist is not None:
            placements = _placements_from_netlist(netlist, bill)
        else:
            raise BoardError(
                "nothing to import from", cure="Give a centroid table, a netlist or IPC-2581 file"
            )
        parts = _parts(placements, netlist, mirrored_bottom=mirrored_bottom, warnings=warnings)
        board = Board(name=name, parts=parts)
    board = replace(board, photo=_photo(sources.photo))
    return _with_nets(board, ground=ground, rails=rails, warnings=warnings)


def _photo(path: Path | None) -> Path | None:
    if path is None:
        return None
    if not path.is_file():
        raise BoardError("no such file", where=str(path), cure="Check the photo's name")
    if path.suffix.lower() not in (".png", ".jpg", ".jpeg"):
        raise BoardError("is no PNG or JPEG photo", where=str(path), cure="Convert it")
    return path


def _with_bill(p: Placement, bill: Mapping[str, tuple[str, str]]) -> Placement:
    package, value = bill.get(p.ref.upper(), ("", ""))
    return replace(p, package=p.package or package, value=p.value or value)


def _placements_from_netlist(
    netlist: Netlist, bill: Mapping[str, tuple[str, str]]
) -> list[Placement]:
    placements = []
    for ref, pads in group_pads(netlist).items():
        (x, y), side = pads.centre_mm, pads.side
        package, value = bill.get(ref.upper(), ("", ""))
        placements.append(Placement(ref, x, y, pads.rotation_deg, side, package, value))
    return placements


def _parts(
    placements: Sequence[Placement],
    netlist: Netlist | None,
    *,
    mirrored_bottom: bool | None,
    warnings: list[str],
) -> tuple[Part, ...]:
    groups = group_pads(netlist) if netlist is not None else {}
    if mirrored_bottom is None:
        mirrored_bottom = is_mirrored(placements, groups)
        if mirrored_bottom:
            warnings.append("x of the bottom side is mirrored in the centroid table; undone")
    if mirrored_bottom:
        placements = [replace(p, x_mm=-p.x_mm) if p.side == "bottom" else p for p in placements]
    if groups:
        placements, groups = to_one_frame(placements, groups, warnings=warnings)
    matched = match_parts(placements, groups)
    metric = any(is_metric_code(p.package) for p in placements)
    if metric:
        warnings.append("chip codes 0402 and 0603 are read as metric, like the board's other codes")
    parts = []
    for p in placements:
        pads = matched.get(p.ref)
        kind = kind_from_reference(p.ref, package=p.package, value=p.value)
        x, y, width, height = body_of(p, pads, kind=kind, metric=metric)
        nets = () if pads is None else tuple(n for n in pads.nets if n != NO_NET)
        parts.append(
            Part(p.ref, kind, p.package, x, y, width, height, p.rotation_deg, p.side, nets)
        )
    if groups:
        tell_unmatched(placements, groups, matched, warnings)
    return _without_frames(parts, warnings)


def _without_frames(parts: Sequence[Part], warnings: list[str]) -> tuple[Part, ...]:
    """Return the parts, those that are frames of pins as test points."""
    places = np.array([(p.x_mm, p.y_mm) for p in parts]).reshape(-1, 2)
    sides = np.array([p.side for p in parts])
    said: list[str] = []
    out = tuple(_frame_of_pins(p, places, sides, said) for p in parts)
    if len(said) > max(_FEW_FRAMES, _MOST_FRAMES * len(parts)):
        raise BoardError(
            f"{len(said)} of {len(parts)} parts lie over several others: their places are not all "
            "in one unit, or in another than was said",
            cure="Export all places in one unit, or say which with --unit",
        )
    warnings += said
    return out


def _frame_of_pins(
    part: Part, places: FloatArray, sides: NDArray[np.str_], warnings: list[str]
) -> Part:
    """Return a part that other parts sit inside (a frame of pins) as a test point at one pin.

    It has no body there, and as a "body" it would cover every spot on the board.
    """
    corners = part.corners_mm()
    low, high = corners.min(axis=0), corners.max(axis=0)
    within = (places > low).all(axis=1) & (places < high).all(axis=1) & (sides == part.side)
    inside = int(np.count_nonzero(within))
    inside -= bool(low[0] < part.x_mm < high[0] and low[1] < part.y_mm < high[1])  # itself
    if inside < 3 or part.kind in (Kind.SHIELD, Kind.TEST_POINT):
        return part
    warnings.append(
        f"{part.ref} surrounds {inside} other parts: taken as a frame of pins, never a suspect"
    )
    return replace(part, kind=Kind.TEST_POINT, width_mm=1.0, height_mm=1.0)


def _from_ipc2581(data: Ipc2581, *, name: str) -> Board:
    nets_of: dict[str, list[str]] = {}
    for net, refs in data.nets.items():
        for ref in sorted(refs):
            nets_of.setdefault(ref, []).append(net)
    mm = data.mm_per_unit
    parts = []
    metric = any(is_metric_code(c.package) for c in data.components)
    for c in data.components:
        kind = kind_from_reference(c.ref, package=c.package, value=c.part)
        side = data.side(c)
        body = data.body_mm(c)
        if body is None:
            place = Placement(c.ref, c.x * mm, c.y * mm, c.rotation_deg, side, c.package)
            body = body_of(place, None, kind=kind, metric=metric)
        x, y, width, height = body
        nets = tuple(nets_of.get(c.ref, ()))
        parts.append(Part(c.ref, kind, c.package, x, y, width, height, c.rotation_deg, side, nets))
    width_mm = height_mm = None
    if data.outline:
        width_mm, height_mm = (float(v) * mm for v in np.ptp(np.array(data.outline), axis=0))
    warnings = list(data.warnings)
    found = _without_frames(parts, warnings)
    return Board(
        name=name, parts=found, width_mm=width_mm or None, height_mm=height_mm or None,
        warnings=tuple(warnings),
    )  # fmt: skip


def _with_nets(
    board: Board,
    *,
    ground: Sequence[str],
    rails: Mapping[str, float | None] | None,
    warnings: list[str],
) -> Board:
    counts: dict[str, int] = {}
    for part in board.parts:
        for net in part.nets:
            counts[net] = counts.get(net, 0) + 1
    by_fold = {net.casefold(): net for net in counts}
    grounds = tuple(by_fold.get(g.casefold(), g) for g in ground) or ground_names(counts)
    if counts and not grounds:
        warnings.append("no net looks like ground; name it with --ground")
    if rails is None:
        chosen: dict[str, float | None] = {
            net: volts_from_name(net)
            for net, n in sorted(counts.items())
            if n >= _MIN_RAIL_PARTS and is_rail_name(net)
        }
        if chosen:
            warnings.append(f"rails found by name, check them: {listed(list(chosen))}")
    else:
        chosen = {}
        for rail, volts in rails.items():
            if counts and rail.casefold() not in by_fold:
                raise BoardError(
                    f"rail {rail} is on no part", cure=f"Nets there are: {listed(sorted(counts))}"
                )
            chosen[by_fold.get(rail.casefold(), rail)] = volts
    return replace(
        board,
        ground=grounds or ("GND",),
        rails=tuple(Rail(net, nominal_v=volts) for net, volts in chosen.items()),
        warnings=tuple(warnings),
    )
