"""Design exports of real, open boards import with the counts that were taken from them by hand.

Sources, licences and the known counts: ``ATTRIBUTION.md`` beside each board in ``tests/data``.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hotspot.board import Kind, Role, role_on_rail
from hotspot.files.centroids import load_centroids
from hotspot.files.imports import Sources, import_board
from hotspot.files.netlists import load_netlist

DATA = Path(__file__).resolve().parents[1] / "data"
# board: placed, top, bottom, records, vias, references, nets (N/C included)
COUNTS = {
    "feather_board": (67, 63, 4, 452, 133, 67, 97),
    "can_adapter": (39, 39, 0, 239, 76, 39, 55),
    "motion_light": (95, 85, 10, 546, 266, 95, 77),
}


def sources(board: str) -> Sources:
    folder = DATA / board
    return Sources(
        centroids=folder / "positions.csv",
        netlist=folder / "netlist.ipc",
        bill_of_materials=folder / "bom.csv",
    )


@pytest.mark.parametrize("board", COUNTS)
def test_counts(board: str) -> None:
    placed, top, bottom, records, vias, references, nets = COUNTS[board]
    table = load_centroids(DATA / board / "positions.csv")
    assert len(table.placements) == placed
    assert sum(p.side == "top" for p in table.placements) == top
    assert sum(p.side == "bottom" for p in table.placements) == bottom
    netlist = load_netlist(DATA / board / "netlist.ipc")
    assert len(netlist.pads) == records
    assert sum(p.is_via for p in netlist.pads) == vias
    assert len(netlist.references) == references
    assert len(netlist.nets) == nets


@pytest.mark.parametrize("board", COUNTS)
def test_every_part_finds_its_nets(board: str) -> None:
    got = import_board(sources(board), name=board)
    assert len(got.parts) == COUNTS[board][0]
    assert not any("no netlist record" in w or "not placed" in w for w in got.warnings)
    # A real board's parts are connected; only unconnected pins are N/C.
    assert all(p.nets for p in got.parts if p.kind in (Kind.CAPACITOR, Kind.RESISTOR, Kind.IC))
    assert got.ground == ("GND",)


@pytest.mark.parametrize("board", COUNTS)
def test_the_pads_confirm_the_centroids(board: str) -> None:
    """Nine parts of ten lie within 2 um of the middle of their pads (known of these files)."""
    from hotspot.files.bodies import group_pads
    from hotspot.files.pairing import match_parts

    table = load_centroids(DATA / board / "positions.csv")
    groups = group_pads(load_netlist(DATA / board / "netlist.ipc"))
    matched = match_parts(table.placements, groups)
    assert len(matched) == COUNTS[board][0]
    off = [matched[p.ref].distance_mm(p.x_mm, p.y_mm) for p in table.placements]
    assert np.quantile(off, 0.85) < 0.003
    assert max(off) < 5.0


def test_roles_on_a_real_rail() -> None:
    """On the feather board C10 sits between 3.3V and GND, R-C parts elsewhere do not."""
    board = import_board(sources("feather_board"), name="b")
    roles = {p.ref: role_on_rail(p, rail="3.3V", ground=board.ground) for p in board.parts}
    assert roles["C10"] is Role.SHUNT
    assert roles["C1"] is Role.UNRELATED
    shunts = [ref for ref, role in roles.items() if role is Role.SHUNT and ref.startswith("C")]
    assert len(shunts) >= 10


def test_bodies_by_name_agree_with_the_bill_of_materials() -> None:
    board = import_board(sources("feather_board"), name="b")
    sizes = {p.ref: (p.width_mm, p.height_mm) for p in board.parts}
    assert sizes["C10"] == (1.0, 0.5)  # 0402
    assert sizes["C21"] == (1.6, 0.8)  # 0603
    assert sizes["U6"] == (7.0, 7.0)  # QFN50P700X700X100
    without = import_board(
        Sources(
            centroids=sources("feather_board").centroids, netlist=sources("feather_board").netlist
        ),
        name="b",
    )
    guessed = {p.ref: (p.width_mm, p.height_mm) for p in without.parts}
    chips = [r for r in sizes if r[0] in "CR" and r[1:].isdigit()]
    # From the pads alone the same chip size comes out.
    assert all(guessed[r] == sizes[r] for r in chips)


def test_four_clicks_put_a_part_on_its_body_in_the_photo() -> None:
    """The holes' homography, picked by hand on the real photo, puts U6 within 6 px."""
    from hotspot.register.from_landmarks import fit_board_from_photo

    truth = json.loads((DATA / "feather_board/photo_truth.json").read_text())
    marks = np.hstack([np.array(truth["board_mm"]), np.array(truth["photo_px"])])
    board = replace(import_board(sources("feather_board"), name="b"), photo_landmarks=marks)
    part = board.part("U6")
    assert part is not None
    photo_from_board = fit_board_from_photo(board)[0].inverse()
    got = photo_from_board.map(np.array([part.x_mm, part.y_mm]))
    u, v, w = np.array(truth["H_mm_to_px"]) @ [part.x_mm, part.y_mm, 1.0]
    assert np.hypot(got[0] - u / w, got[1] - v / w) < 6


def test_traps_of_real_exports() -> None:
    """What these files really hold: byte-order mark, cut and escaped net names, far-side access."""
    folder = DATA / "feather_board"
    assert (folder / "positions.csv").read_bytes().startswith(b"\xef\xbb\xbf")
    assert load_centroids(folder / "positions.csv").placements[0].ref == "C1"
    raw = (folder / "netlist.ipc").read_text(encoding="utf-8")
    assert "{SLASH}" in raw
    netlist = load_netlist(folder / "netlist.ipc")
    c2 = {p.pin: p.net for p in netlist.pads if p.ref == "C2"}
    assert c2["1"] == "-OUT/IN)"  # the last 14 characters as written, the escape undone
    assert "N/C" in netlist.nets
    assert "VIA" not in netlist.references
    assert max(p.y_mm for p in netlist.pads) < 0  # y runs down from the sheet's corner
    # Pads on the fourth layer of this board belong to the four parts of its far side.
    far = {p.ref for p in netlist.pads if p.access == 4}
    bottom = {p.ref for p in load_centroids(folder / "positions.csv").placements
              if p.side == "bottom"}  # fmt: skip
    assert far == bottom
    assert len(bottom) == 4
