"""Any board, written as design programs write it, is read back as it was.

Records by the columns of IPC-D-356A and the elements of IPC-2581; boards are drawn at random.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import quoteattr

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hotspot.files.imports import Sources, import_board
from hotspot.files.ipc2581 import load_ipc2581
from hotspot.files.netlists import parse_netlist

IN_FOLDER = settings(
    max_examples=30,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@dataclass(frozen=True)
class Record:
    """One pad as the netlist states it, in units of the file."""

    net: str
    ref: str
    pin: str
    x: int
    y: int
    width: int
    height: int
    rotation: int
    access: int
    through: bool


refs = st.from_regex(r"[A-Z]{1,2}[0-9]{1,4}", fullmatch=True).filter(lambda r: r != "VIA")
nets = st.from_regex(r"[A-Z+][A-Z0-9_.+/-]{0,9}", fullmatch=True).filter(
    lambda n: not n.startswith("NNAME")
)
records = st.builds(
    Record,
    net=nets,
    ref=refs | st.just("VIA"),
    pin=st.from_regex(r"[A-Z]?[0-9]{1,2}", fullmatch=True),
    x=st.integers(-999_999, 999_999),
    y=st.integers(-999_999, 999_999),
    width=st.integers(1, 9999),
    height=st.integers(1, 9999),
    rotation=st.integers(0, 359),
    access=st.integers(0, 8),
    through=st.booleans(),
)


def to_line(r: Record) -> str:
    """The record by columns, from 1: 4 net, 21 reference, 27 dash, 28 pin, 33 hole, 39 access."""
    hole = "D0118P" if r.through else " " * 6
    head = f"{'317' if r.through else '327'}{r.net.replace('/', '{SLASH}'):<14.14}   "
    return (
        f"{head}{r.ref:<6}-{r.pin:<4} {hole}A{r.access:02d}X{r.x:+07d}Y{r.y:+07d}"
        f"X{r.width:04d}Y{r.height:04d}R{r.rotation:03d} S0\n"
    )


@settings(max_examples=80, deadline=None)
@given(
    rows=st.lists(records, min_size=1, max_size=12),
    units=st.sampled_from([("CUST 0", 0.00254), ("CUST 1", 0.001)]),
    remarks=st.lists(st.sampled_from(["C  a remark", "P  JOB   X1", "", "C"]), max_size=3),
    ends=st.sampled_from(["\n", "\r\n"]),
)
def test_netlist_records(rows, units, remarks, ends) -> None:
    word, mm = units
    # A slash takes seven characters as {SLASH}: names that are then cut are not the same name.
    rows = [r for r in rows if len(r.net.replace("/", "{SLASH}")) <= 14]
    if not rows:
        return
    text = "".join(f"{s}\n" for s in [*remarks, f"P  UNITS {word}"])
    text += "".join(to_line(r) for r in rows) + "999\n"
    got = parse_netlist(text.replace("\n", ends).replace("\r\n", "\n"), where="t").pads
    assert [(p.net, p.ref, p.pin) for p in got] == [(r.net, r.ref, r.pin) for r in rows]
    for p, r in zip(got, rows, strict=True):
        assert (p.x_mm, p.y_mm) == pytest.approx((r.x * mm, r.y * mm), abs=1e-9)
        assert (p.width_mm, p.height_mm) == pytest.approx((r.width * mm, r.height * mm))
        assert (p.rotation_deg, p.access, p.through) == (r.rotation, r.access, r.through)


@dataclass(frozen=True)
class Body:
    """A component as a design holds it, mm."""

    ref: str
    x: float
    y: float
    width: float
    height: float
    rotation: float
    bottom: bool
    nets: tuple[str, ...]


lengths = st.integers(2, 200).map(lambda n: n / 10)
places = st.integers(-2000, 2000).map(lambda n: n / 20)
words = st.text(st.characters(min_codepoint=33, max_codepoint=0x17F), min_size=1, max_size=6)
bodies = st.builds(
    Body, ref=refs, x=places, y=places, width=lengths, height=lengths,
    rotation=st.sampled_from([0.0, 30.0, 90.0, 180.0, 270.0]), bottom=st.booleans(),
    nets=st.lists(words.filter(lambda w: w.strip() == w and ";" not in w), max_size=3,
                  unique=True).map(tuple),
)  # fmt: skip


def to_xml(parts: list[Body], *, units: str, mm: float) -> str:
    def n(value: float) -> str:
        return repr(value / mm)

    out = [
        '<IPC-2581 revision="C"><Content roleRef="Owner"/><Ecad name="card">'
        f'<CadHeader units="{units}"/><CadData>'
        '<Layer name="TOP" layerFunction="SIGNAL" side="TOP"/>'
        '<Layer name="BOT" layerFunction="SIGNAL" side="BOTTOM"/><Step name="card" type="BOARD">'
    ]
    for i, p in enumerate(parts):
        w, h = p.width / 2, p.height / 2
        corners = [(-w, -h), (w, -h), (w, h), (-w, h)]
        steps = "".join(f'<PolyStepSegment x="{n(x)}" y="{n(y)}"/>' for x, y in corners[1:])
        out.append(
            f'<Package name="P{i}"><Outline><Polygon><PolyBegin x="{n(-w)}" y="{n(-h)}"/>{steps}'
            "</Polygon></Outline></Package>"
        )
    for i, p in enumerate(parts):
        side = "BOT" if p.bottom else "TOP"
        mirror = ' mirror="true"' if p.bottom else ""
        out.append(
            f'<Component refDes="{p.ref}" packageRef="P{i}" layerRef="{side}" part="x">'
            f'<Xform rotation="{p.rotation}"{mirror}/><Location x="{n(p.x)}" y="{n(p.y)}"/>'
            "</Component>"
        )
    names = dict.fromkeys(net for p in parts for net in p.nets)
    for net in names:
        pins = "".join(
            f'<PinRef componentRef="{p.ref}" pin="{p.nets.index(net) + 1}"/>'
            for p in parts
            if net in p.nets
        )
        out.append(f"<LogicalNet name={quoteattr(net)}>{pins}</LogicalNet>")
    return "".join([*out, "</Step></CadData></Ecad></IPC-2581>"])


@IN_FOLDER
@given(
    parts=st.lists(bodies, min_size=1, max_size=6, unique_by=lambda p: p.ref.casefold()),
    units=st.sampled_from([("MILLIMETER", 1.0), ("MICRON", 0.001), ("INCH", 25.4)]),
)
def test_ipc2581(tmp_path: Path, parts, units) -> None:
    word, mm = units
    path = tmp_path / "board.xml"
    path.write_text(to_xml(parts, units=word, mm=mm), encoding="utf-8")
    load_ipc2581(path)
    got = {p.ref: p for p in import_board(Sources(ipc2581=path), name="b").parts}
    assert set(got) == {p.ref for p in parts}
    for p in parts:
        q = got[p.ref]
        assert (q.x_mm, q.y_mm) == pytest.approx((p.x, p.y), abs=1e-6)
        assert (q.width_mm, q.height_mm) == pytest.approx((p.width, p.height), abs=1e-6)
        assert q.side == ("bottom" if p.bottom else "top")
        assert set(q.nets) == set(p.nets)
        # The body covers the same ground, whichever way round a mirrored angle is counted.
        assert np.cos(2 * np.deg2rad(abs(q.rotation_deg) - p.rotation)) == pytest.approx(1.0)


@IN_FOLDER
@given(
    spots=st.lists(
        st.tuples(st.integers(0, 11), st.integers(0, 8), st.sampled_from(["3V3", "1V8", "VBUS"])),
        min_size=3, max_size=14, unique_by=lambda s: s[:2],
    ),
    shift=st.tuples(places, places),
    flip=st.booleans(),
)  # fmt: skip
def test_centroids_and_netlist_of_one_board_find_one_another(
    tmp_path: Path, spots, shift, flip
) -> None:
    """Bodies from one file, nets from the other, whatever the origins and the y axis are."""
    if len({s[0] for s in spots}) < 2 or len({s[1] for s in spots}) < 2:
        return  # all on one line: nothing fixes the frame
    table = ["RefDes,X (mm),Y (mm),Rotation,Side"]
    lines = ["P  UNITS CUST 1"]
    for i, (col, row, net) in enumerate(spots):
        x, y = 4.0 * col + 0.3 * row, 4.0 * row
        shown = -y if flip else y
        table.append(f"C{i + 1},{x + shift[0]},{shown + shift[1]},0,top")
        for pin, (dx, name) in enumerate(((-500, net), (500, "GND")), start=1):
            lines.append(
                f"327{name:<14}   C{i + 1:<5}-{pin}          A01X{round(1000 * x) + dx:+07d}"
                f"Y{round(1000 * y):+07d}X0600Y0600R000 S2"
            )
    (tmp_path / "p.csv").write_text("\n".join(table) + "\n")
    (tmp_path / "n.ipc").write_text("\n".join([*lines, "999"]) + "\n")
    board = import_board(
        Sources(centroids=tmp_path / "p.csv", netlist=tmp_path / "n.ipc"), name="b"
    )
    assert [set(p.nets) for p in board.parts] == [{s[2], "GND"} for s in spots]
    assert not any("no netlist record" in w for w in board.warnings)
