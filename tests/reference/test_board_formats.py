"""Board data formats by their published columns and names.

IPC-D-356A columns as summed up in public and as written by two general-purpose open writers;
IPC-2581B/C (IEC 61182-2) element names; IEEE 315-1975 clause 22 / ASME Y14.44-2008 class letters.
"""

from __future__ import annotations

import pytest

from hotspot.board import Kind
from hotspot.files.centroids import parse_centroids
from hotspot.files.designators import kind_from_reference
from hotspot.files.imports import Sources, import_board
from hotspot.files.netlists import parse_netlist
from tests.files.test_netlists import CARD


def place(text: str, at: int, value: str) -> str:
    """Put `value` at column `at`, counted from 1 as the standard does."""
    padded = text.ljust(at - 1 + len(value))
    return padded[: at - 1] + value + padded[at - 1 + len(value) :]


def record(fields: dict[int, str]) -> str:
    line = ""
    for at, value in fields.items():
        line = place(line, at, value)
    assert len(line) <= 80
    return line


def test_every_field_by_its_column() -> None:
    """Built from the column numbers of IPC-D-356A alone, not from an example line."""
    fields = {
        1: "317", 4: "RAIL_1V2", 21: "U7", 27: "-", 28: "14", 33: "D", 34: "0118", 38: "P",
        39: "A", 40: "00", 42: "X", 43: "+", 44: "012870", 50: "Y", 51: "-", 52: "007400",
        58: "X", 59: "0240", 63: "Y", 64: "0310", 68: "R", 69: "090", 73: "S", 74: "3",
    }  # fmt: skip
    for soldermask in (73, 72):  # some writers put S a column earlier
        moved = {k: v for k, v in fields.items() if k < 73}
        moved |= {soldermask: "S", soldermask + 1: "3"}
        text = f"P  UNITS CUST 0\n{record(moved)}\n999\n"
        (pad,) = parse_netlist(text, where="card").pads
        assert (pad.net, pad.ref, pad.pin, pad.access) == ("RAIL_1V2", "U7", "14", 0)
        assert pad.through
        inch = 25.4
        assert pad.x_mm == pytest.approx(1.2870 * inch, rel=1e-12)
        assert pad.y_mm == pytest.approx(-0.7400 * inch, rel=1e-12)
        assert pad.width_mm == pytest.approx(0.0240 * inch, rel=1e-12)
        assert pad.height_mm == pytest.approx(0.0310 * inch, rel=1e-12)
        assert pad.rotation_deg == 90


def test_check_numbers_of_the_example() -> None:
    """Composed card: C112-1 at 31.75, 20.32 mm, 0.5588 mm wide; J2-1 at y -3.048 mm; L4 turned 90.

    0.0001 inch is 2.54 um; 367 is no electrical record; nothing after 999 is read.
    """
    netlist = parse_netlist(CARD, where="card")
    pads = {(p.ref, p.pin): p for p in netlist.pads}
    c112 = pads["C112", "1"]
    assert (c112.x_mm, c112.y_mm, c112.width_mm) == pytest.approx((31.75, 20.32, 0.5588), rel=1e-9)
    assert c112.access == 1
    assert pads["J2", "1"].y_mm == pytest.approx(-3.048, rel=1e-9)
    assert pads["L4", "2"].rotation_deg == 90
    assert not {"H1", "C9"} & {p.ref for p in netlist.pads}


@pytest.mark.parametrize(
    ("units", "mm", "degrees"), [("CUST 0", 0.00254, 90.0), ("CUST 1", 0.001, 90.0)]
)
def test_units_of_the_header(units: str, mm: float, degrees: float) -> None:
    text = CARD.replace("CUST 0", units)
    first, _, coil, *_ = parse_netlist(text, where="card").pads
    assert first.x_mm == pytest.approx(12500 * mm, rel=1e-12)
    assert coil.rotation_deg == degrees


IPC_2581 = """<?xml version="1.0" encoding="UTF-8"?>
<IPC-2581 revision="{revision}" xmlns="http://webstds.ipc.org/2581">
 <Content roleRef="Owner"><FunctionMode mode="ASSEMBLY"/><StepRef name="s"/><LayerRef name="TOP"/>
  <BomRef name="b"/></Content>
 <LogisticHeader/><HistoryRecord number="1"/>
 <Bom name="b"><BomHeader assembly="s" revision="1"/>
  <BomItem OEMDesignNumberRef="p"><RefDes name="C1" packageRef="K" layerRef="TOP"/></BomItem></Bom>
 <Ecad name="s"><CadHeader units="{units}"/><CadData>
  <Layer name="TOP" layerFunction="CONDUCTOR" side="TOP"/><Stackup name="x"/>
  <Step name="s" type="BOARD"><Datum x="0" y="0"/>
   <Profile><Polygon><PolyBegin x="0" y="0"/><PolyStepSegment x="4" y="0"/>
    <PolyStepSegment x="4" y="3"/><PolyStepSegment x="0" y="3"/></Polygon></Profile>
   <PadStack name="p"/><Package name="K" type="CHIP"><Outline><Polygon>
     <PolyBegin x="-0.5" y="-0.25"/><PolyStepSegment x="0.5" y="-0.25"/>
     <PolyStepSegment x="0.5" y="0.25"/><PolyStepSegment x="-0.5" y="0.25"/></Polygon></Outline>
   </Package>
   <Component refDes="C1" packageRef="K" layerRef="TOP" part="100n" mountType="SMT">
    <Xform rotation="90"/><Location x="1" y="2"/></Component>
   <LogicalNet name="1V8"><PinRef componentRef="C1" pin="1"/></LogicalNet>
   <LogicalNet name="GND"><PinRef componentRef="C1" pin="2"/></LogicalNet>
   <PhyNetGroup name="g"/><LayerFeature layerRef="TOP"/></Step></CadData></Ecad><Avl name="a"/>
</IPC-2581>"""


@pytest.mark.parametrize("revision", ["A", "B", "B1", "C"])
def test_ipc_2581_elements_in_the_order_of_the_standard(revision: str, tmp_path) -> None:
    path = tmp_path / "board.xml"
    path.write_text(IPC_2581.format(revision=revision, units="MILLIMETER"), encoding="utf-8")
    board = import_board(Sources(ipc2581=path), name="s")
    (part,) = board.parts
    assert (part.ref, part.x_mm, part.y_mm, part.rotation_deg) == ("C1", 1.0, 2.0, 90.0)
    assert (part.width_mm, part.height_mm, part.side) == (1.0, 0.5, "top")
    assert part.nets == ("1V8", "GND")
    assert (board.width_mm, board.height_mm) == (4.0, 3.0)


# IEEE 315-1975 / ASME Y14.44-2008. What a letter stands for; kinds without a role of their own on a
# shorted rail are "other".
LETTERS = {
    "A": Kind.OTHER, "B": Kind.OTHER, "BT": Kind.OTHER, "C": Kind.CAPACITOR, "CB": Kind.OTHER,
    "CR": Kind.DIODE, "D": Kind.DIODE, "DS": Kind.DIODE, "E": Kind.BEAD, "F": Kind.FUSE,
    "J": Kind.CONNECTOR, "K": Kind.OTHER, "L": Kind.INDUCTOR, "LS": Kind.OTHER, "M": Kind.OTHER,
    "MK": Kind.OTHER, "P": Kind.CONNECTOR, "PS": Kind.OTHER, "Q": Kind.TRANSISTOR,
    "R": Kind.RESISTOR, "RT": Kind.RESISTOR, "S": Kind.OTHER, "T": Kind.OTHER,
    "TB": Kind.CONNECTOR, "TP": Kind.TEST_POINT, "U": Kind.IC, "V": Kind.OTHER, "VR": Kind.IC,
    "W": Kind.OTHER, "X": Kind.CONNECTOR, "Y": Kind.OTHER, "Z": Kind.OTHER,
}  # fmt: skip


@pytest.mark.parametrize("letters", LETTERS)
def test_class_letters(letters: str) -> None:
    # One to four letters, one to five digits, perhaps a letter behind (common practice).
    for ref in (f"{letters}1", f"{letters}17A", f"{letters}10432"):
        assert kind_from_reference(ref) is LETTERS[letters]


@pytest.mark.parametrize(
    ("ref", "kind"),
    [("FB2", Kind.BEAD), ("IC4", Kind.IC), ("JP1", Kind.CONNECTOR), ("CN3", Kind.CONNECTOR),
     ("RN7", Kind.RESISTOR), ("MH1", Kind.TEST_POINT), ("FD2", Kind.TEST_POINT),
     ("PC1001", Kind.CAPACITOR), ("PR3", Kind.RESISTOR), ("PL2", Kind.INDUCTOR)],
)  # fmt: skip
def test_letters_outside_the_standard(ref: str, kind: Kind) -> None:
    assert kind_from_reference(ref) is kind  # common practice, no source


# Heads of placement tables met in public exports (columns only).
HEADS = {
    "Designator,Mid X,Mid Y,Layer,Rotation": "C1,1.5,2.5,TopLayer,90",
    "Ref,Val,Package,PosX,PosY,Rot,Side": "C1,100n,C_0402,1.5,2.5,90,top",
    "Designator,Comment,Layer,Footprint,Center-X(mm),Center-Y(mm),Rotation,Description":
        '"C1","100n","T","0402","1.5","2.5","90","cap, chip"',
}  # fmt: skip


@pytest.mark.parametrize("head", HEADS)
def test_heads_of_placement_tables(head: str) -> None:
    table = parse_centroids(f"{head}\n{HEADS[head]}\n", where="t", unit="mm")
    (part,) = table.placements
    assert (part.ref, part.x_mm, part.y_mm, part.rotation_deg, part.side) == (
        "C1", 1.5, 2.5, 90.0, "top",
    )  # fmt: skip


def test_a_table_in_inches_below_remarks() -> None:
    text = (
        "# made by hand\n# units: inch\nRefDes, Layer, LocationX, LocationY, Rotation\n"
        "C1, Bottom, 1.0, 0.5, 0\n"
    )
    (part,) = parse_centroids(text, where="t").placements
    assert (part.x_mm, part.y_mm) == pytest.approx((25.4, 12.7))
    assert part.side == "bottom"
