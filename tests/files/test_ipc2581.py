"""IPC-2581: components, bodies, sides and nets; hostile and damaged files are refused."""

from __future__ import annotations

import time
import tracemalloc
from pathlib import Path

import pytest

from hotspot.errors import BoardError
from hotspot.files.imports import Sources, import_board
from hotspot.files.ipc2581 import load_ipc2581

HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'
BODY = """<IPC-2581 revision="C" xmlns="http://webstds.ipc.org/2581">
 <Content roleRef="Owner"><FunctionMode mode="ASSEMBLY"/><StepRef name="card"/></Content>
 <Ecad name="card"><CadHeader units="MILLIMETER"/><CadData>
  <Layer name="TOP" layerFunction="SIGNAL" side="TOP" polarity="POSITIVE"/>
  <Layer name="LAYER_9" layerFunction="SIGNAL" side="BOTTOM" polarity="POSITIVE"/>
  <Step name="card" type="BOARD">
   <Profile><Polygon><PolyBegin x="0" y="0"/><PolyStepSegment x="40" y="0"/>
     <PolyStepSegment x="40" y="25"/><PolyStepSegment x="0" y="25"/></Polygon>
     <Cutout><PolyBegin x="-90" y="0"/><PolyStepSegment x="90" y="0"/></Cutout></Profile>
   <Package name="CAP" type="CHIP" pinOne="1">
     <Outline><Polygon><PolyBegin x="-0.5" y="-0.25"/><PolyStepSegment x="0.5" y="-0.25"/>
       <PolyStepSegment x="0.5" y="0.25"/><PolyStepSegment x="-0.5" y="0.25"/></Polygon></Outline>
     <SilkScreen><Outline><Polygon><PolyBegin x="-9" y="-9"/><PolyStepSegment x="9" y="9"/>
       </Polygon></Outline></SilkScreen>
     <Pin number="1"><Location x="-0.5" y="0"/></Pin>
   </Package>
   <Package name="ODD"><Outline><Polygon><PolyBegin x="0" y="0"/><PolyStepSegment x="4" y="0"/>
       <PolyStepSegment x="4" y="2"/><PolyStepSegment x="0" y="2"/></Polygon></Outline></Package>
   <Package name="CAN"><Outline><Polygon><PolyBegin x="3" y="0"/>
       <PolyStepCurve x="-3" y="0" centerX="0" centerY="0" clockwise="false"/>
       <PolyStepCurve x="3" y="0" centerX="0" centerY="0" clockwise="false"/></Polygon></Outline>
   </Package>
   <Component refDes="C1" packageRef="CAP" layerRef="TOP" part="100n" mountType="SMT">
     <Xform rotation="90"/><Location x="10" y="5"/></Component>
   <Component refDes="U1" packageRef="ODD" layerRef="LAYER_9" part="CPU" mountType="SMT">
     <Xform rotation="0" mirror="true"/><Location x="20" y="5"/></Component>
   <Component refDes="L1" packageRef="CAN" layerRef="TOP" part="4u7" mountType="SMT">
     <Location x="30" y="15"/></Component>
   <Component refDes="R1" packageRef="0402" layerRef="TOP" part="10k" mountType="SMT">
     <Location x="3" y="3"/></Component>
   <LogicalNet name="3V3"><PinRef componentRef="C1" pin="1"/><PinRef componentRef="U1" pin="4"/>
     <PinRef componentRef="U1" pin="9"/></LogicalNet>
   <LogicalNet name="GND"><PinRef componentRef="C1" pin="2"/><PinRef componentRef="U1" pin="1"/>
   </LogicalNet>
  </Step></CadData></Ecad></IPC-2581>"""


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "board.xml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_board_is_imported(tmp_path: Path) -> None:
    board = import_board(Sources(ipc2581=write(tmp_path, HEAD + BODY)), name="card")
    c1, u1, l1, r1 = board.parts
    assert (c1.ref, c1.x_mm, c1.y_mm, c1.width_mm, c1.height_mm, c1.rotation_deg, c1.side) == (
        "C1", 10, 5, 1.0, 0.5, 90.0, "top",
    )  # fmt: skip
    assert c1.nets == ("3V3", "GND")
    # The outline runs from (0, 0) to (4, 2); seen from the top the mirrored part lies left of 20.
    assert (u1.x_mm, u1.y_mm, u1.width_mm, u1.height_mm, u1.side) == (18, 6, 4, 2, "bottom")
    assert (l1.width_mm, l1.height_mm) == pytest.approx((6, 6))  # arcs bulge beyond their ends
    assert (r1.width_mm, r1.height_mm, r1.nets) == (1.0, 0.5, ())  # size by the package's name
    assert (board.width_mm, board.height_mm) == (40, 25)
    assert board.ground == ("GND",)
    assert [(r.name, r.nominal_v) for r in board.rails] == [("3V3", 3.3)]


def test_units_and_namespaces(tmp_path: Path) -> None:
    text = BODY.replace("MILLIMETER", "INCH").replace(' xmlns="http://webstds.ipc.org/2581"', "")
    board = import_board(Sources(ipc2581=write(tmp_path, text)), name="card")
    assert board.parts[0].x_mm == pytest.approx(254)
    assert board.parts[0].width_mm == pytest.approx(25.4)


LAUGHS = (
    '<?xml version="1.0"?><!DOCTYPE lolz [<!ENTITY lol "lol">'
    + "".join(f'<!ENTITY l{i} "{f"&l{i - 1};" * 10 if i else "&lol;" * 10}">' for i in range(12))
    + "]><IPC-2581>&l11;</IPC-2581>"
)
OUTSIDE = (
    '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]>'
    "<IPC-2581><Ecad>&e;</Ecad></IPC-2581>"
)
HOSTILE = {
    "entity bomb": (LAUGHS, "document type"),
    "outside entity": (OUTSIDE, "document type"),
    "outside dtd": ('<!DOCTYPE x SYSTEM "http://127.0.0.1:9/x.dtd"><IPC-2581/>', "document type"),
    "deep": ("<IPC-2581>" + "<a>" * 5000 + "</a>" * 5000 + "</IPC-2581>", "deeply"),
    "other root": ("<html><body/></html>", "is not IPC-2581"),
    "cut short": (BODY[: len(BODY) // 2], "not valid XML"),
    "no component": ("<IPC-2581/>", "no component"),
    "text place": (BODY.replace('x="10"', 'x="ten"'), "x of C1"),
    "no place": (BODY.replace('x="10"', ""), "x of C1"),
    "endless place": (BODY.replace('x="10"', 'x="1e300"'), "x of C1"),
    "unknown units": (BODY.replace("MILLIMETER", "FURLONG"), "FURLONG"),
    "twice": (BODY.replace('refDes="R1"', 'refDes="c1"'), "appears twice"),
    "empty": ("", "not valid XML"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_and_damaged_files_are_refused_at_once(name: str, tmp_path: Path) -> None:
    text, expected = HOSTILE[name]
    started = time.monotonic()
    with pytest.raises(BoardError) as caught:
        load_ipc2581(write(tmp_path, text))
    assert expected in caught.value.sentence
    assert "\n" not in caught.value.sentence
    assert time.monotonic() - started < 10


def test_memory_does_not_grow_with_the_copper(tmp_path: Path) -> None:
    def peak(n: int) -> int:
        copper = '<LayerFeature><Set><Features><Line x="1"/></Features></Set></LayerFeature>\n' * n
        path = write(tmp_path, BODY.replace("</Step>", f"{copper}</Step>"))
        tracemalloc.start()
        load_ipc2581(path)
        size = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return size

    assert peak(20000) < 2 * peak(200) + 500_000
