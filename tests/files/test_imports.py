"""Two sources in one board: names cut in the netlist, other origins, mirrored bottoms."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from hotspot.board import Kind
from hotspot.errors import BoardError
from hotspot.files.boards import load_board, save_board
from hotspot.files.imports import Sources, import_board

DATA = Path(__file__).resolve().parents[1] / "data"
FEATHER = Sources(
    centroids=DATA / "feather_board/positions.csv", netlist=DATA / "feather_board/netlist.ipc"
)


def rewritten(tmp_path: Path, change) -> Sources:
    """Write the feather board's centroids changed line by line (ref, x, y, rotation, side)."""
    assert FEATHER.centroids is not None
    lines = FEATHER.centroids.read_text(encoding="utf-8-sig").splitlines()
    out = ["RefDes;X;Y;Rot;Side"]
    for line in lines[1:]:
        ref, x, y, rotation, side = line.split(",")
        out.append(";".join(str(v) for v in change(ref, float(x), float(y), rotation, side)))
    path = tmp_path / "positions.csv"
    path.write_text("\n".join(out) + "\n")
    return replace(FEATHER, centroids=path)


def test_another_origin_unit_and_y_sign_are_undone_for_the_netlist(tmp_path: Path) -> None:
    plain = import_board(FEATHER, name="b")
    for change in (
        lambda r, x, y, a, s: (r, x - 125.0, y + 113.9, a, s),
        lambda r, x, y, a, s: (r, x / 0.0254, y / 0.0254, a, s),
        lambda r, x, y, a, s: (r, x / 25.4, y / 25.4, a, s),
        lambda r, x, y, a, s: (r, x, -y, a, s),
    ):
        board = import_board(rewritten(tmp_path, change), name="b")
        assert [p.nets for p in board.parts] == [p.nets for p in plain.parts]
        assert not any("no netlist record" in w for w in board.warnings)
        widths = {p.ref: p.width_mm for p in board.parts}
        for part in plain.parts:
            if part.kind is Kind.CAPACITOR:
                assert widths[part.ref] == pytest.approx(part.width_mm)


def test_a_mirrored_bottom_is_found_and_undone(tmp_path: Path) -> None:
    plain = import_board(FEATHER, name="b")
    board = import_board(
        rewritten(tmp_path, lambda r, x, y, a, s: (r, -x if s == "bottom" else x, y, a, s)),
        name="b",
    )
    for a, b in zip(plain.parts, board.parts, strict=True):
        assert (a.x_mm, a.y_mm) == pytest.approx((b.x_mm, b.y_mm), abs=1e-9)
    assert any("mirrored" in w for w in board.warnings)
    assert not any("mirrored" in w for w in plain.warnings)


def test_a_mirrored_bottom_is_found_without_a_netlist(tmp_path: Path) -> None:
    path = tmp_path / "p.csv"
    path.write_text("Ref,X (mm),Y (mm),Side\nC1,10,5,top\nC2,40,9,top\nC3,-12,5,bottom\n")
    board = import_board(Sources(centroids=path), name="b")
    assert board.parts[2].x_mm == 12
    kept = import_board(Sources(centroids=path), name="b", mirrored_bottom=False)
    assert kept.parts[2].x_mm == -12


def test_cut_names_are_told_apart_by_place(tmp_path: Path) -> None:
    (tmp_path / "p.csv").write_text(
        "Ref,X (mm),Y (mm),Side\nC_START1,10,5,top\nC_START2,20,5,top\nR1,30,5,top\nR2,40,9,top\n"
    )
    (tmp_path / "n.ipc").write_text(
        "P  UNITS CUST 1\n"
        "327NET_B            C_star-1          A01X+019500Y+005000X0600Y0600R000 S2\n"
        "327GND              C_star-2          A01X+020500Y+005000X0600Y0600R000 S2\n"
        "327NET_R            R1    -1          A01X+030000Y+005000X0600Y0600R000 S2\n"
        "327NET_R            R2    -1          A01X+040000Y+009000X0600Y0600R000 S2\n"
        "999\n"
    )
    board = import_board(
        Sources(centroids=tmp_path / "p.csv", netlist=tmp_path / "n.ipc"), name="b"
    )
    nets = {p.ref: p.nets for p in board.parts}
    assert nets["C_START2"] == ("NET_B", "GND")
    assert nets["C_START1"] == ()
    assert any("C_START1" in w for w in board.warnings)


def test_a_frame_of_pins_is_never_a_suspect() -> None:
    board = import_board(FEATHER, name="b")
    frame = board.part("U$1")
    assert frame is not None
    assert frame.kind is Kind.TEST_POINT
    assert max(frame.width_mm, frame.height_mm) <= 1.0
    assert any("U$1 surrounds" in w for w in board.warnings)


def test_rails_and_grounds_named_by_hand_are_checked() -> None:
    board = import_board(FEATHER, name="b", rails={"3.3v": 3.3}, ground=["gnd"])
    assert [(r.name, r.nominal_v) for r in board.rails] == [("3.3V", 3.3)]
    assert board.ground == ("GND",)
    with pytest.raises(BoardError, match="rail 9V9 is on no part"):
        import_board(FEATHER, name="b", rails={"9V9": None})


def test_files_of_two_boards_are_refused() -> None:
    two = Sources(centroids=FEATHER.centroids, netlist=DATA / "motion_light/netlist.ipc")
    with pytest.raises(BoardError, match="are not where the netlist has their pads"):
        import_board(two, name="b")


def test_an_imported_board_survives_the_pack(tmp_path: Path) -> None:
    board = import_board(FEATHER, name="b")
    save_board(board, tmp_path)
    got = load_board(tmp_path)
    assert got.parts == board.parts
    assert got.rails == board.rails


def test_nothing_to_import_is_said() -> None:
    with pytest.raises(BoardError, match="nothing to import"):
        import_board(Sources(), name="b")
    with pytest.raises(BoardError, match="no such file"):
        import_board(Sources(centroids=Path("/nowhere/x.csv")), name="b")


def test_a_few_parts_elsewhere_than_their_pads_are_named(tmp_path: Path) -> None:
    moved = rewritten(
        tmp_path, lambda r, x, y, a, s: (r, x + 14 if r in ("C1", "C10") else x, y, a, s)
    )
    said = [w for w in import_board(moved, name="b").warnings if "not where the netlist" in w]
    assert len(said) == 1
    assert "2 of 6" in said[0]
    assert said[0].endswith("C1, C10") or said[0].endswith("C10, C1")
    assert not any("not where" in w for w in import_board(FEATHER, name="b").warnings)


def test_a_table_in_two_units_is_refused(tmp_path: Path) -> None:
    def mixed(ref, x, y, angle, side):
        return (ref, x / 0.0254, y / 0.0254, angle, side) if x > 150 else (ref, x, y, angle, side)

    both = rewritten(tmp_path, mixed)
    with pytest.raises(BoardError, match="are not where the netlist has their pads") as caught:
        import_board(both, name="b")
    assert "one unit" in (caught.value.cure or "")
    with pytest.raises(BoardError, match="lie over several others"):
        import_board(replace(both, netlist=None), name="b")
