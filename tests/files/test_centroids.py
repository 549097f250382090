"""Centroid tables of many habits give one and the same placement."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotspot.errors import BoardError
from hotspot.files.centroids import load_bill_of_materials, load_centroids, parse_centroids

MM = (
    "Designator,Mid X,Mid Y,Layer,Rotation\nC1,25.4,-12.7,TopLayer,90\nU2,50.8,2.54,BottomLayer,0\n"
)
HABITS = {
    "comma, mm": MM,
    "aligned columns": (
        "### Positions ###\n## Unit = mm, Angle = deg.\n## Side : All\n"
        "# Ref     Val       Package    PosX       PosY       Rot  Side\n"
        "C1        100n      C_0402     25.4000   -12.7000    90.0000  top\n"
        "U2        REG       SOT-23     50.8000     2.5400     0.0000  bottom\n## End\n"
    ),
    "unit in the header, inch": (
        "RefDes;Center-X(inch);Center-Y(inch);Side;Rot\nC1;1.0;-0.5;T;90\nU2;2.0;0.1;B;0\n"
    ),
    "mils behind the value": (
        "Designator,Comment,Layer,Footprint,Center-X(mm),Center-Y(mm),Rotation,Description\n"
        '"C1","","TopLayer","0402","1000mil","-500mil","90",""\n'
        '"U2","x, y","BottomLayer","QFN","2000mil","100mil","0",""\n'
    ),
    "mils in a remark": (
        "Pick and place\nUnits used: mil\n\n"
        "RefDes, Layer, LocationX, LocationY, Rotation\n"
        "C1, Top, 1000, -500, 90\nU2, Bottom, 2000, 100, 0\n"
    ),
    "decimal comma": (
        "Ref;X [mm];Y [mm];Seite;Side;Rotation\nC1;25,4;-12,7;;top;90,0\nU2;50,8;2,54;;bottom;0\n"
    ),
    "quoted decimal comma": (
        'Ref,PosX,PosY,Side,Rot\nC1,"25,40","-12,70",F.Cu,"90,0"\nU2,"50,80","2,54",B.Cu,"0,0"\n'
    ),
    "tabs": MM.replace(",", "\t"),
    "bars": "|Ref|X|Y|Side|Rot|\n|C1|25.4|-12.7|front|90|\n|U2|50.8|2.54|back|0|\n",
    "colons": MM.replace(",", ":"),
    "x in mil, y in inch": (
        "Ref,X (mil),Y (inch),Side,Rot\nC1,1000,-0.5,top,90\nU2,2000,0.1,bottom,0\n"
    ),
    "unit on one column": "Ref,X [mil],Y,Side,Rot\nC1,1000,-500,T,90\nU2,2000,100,B,0\n",
    "trailing delimiter": MM.replace("\n", ",\n"),
}


@pytest.mark.parametrize("habit", HABITS)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "latin-1"])
def test_every_habit_gives_the_same_placements(habit: str, encoding: str, tmp_path: Path) -> None:
    path = tmp_path / "positions.txt"
    path.write_bytes(HABITS[habit].replace("\n", "\r\n").encode(encoding))
    c1, u2 = load_centroids(path).placements
    assert (c1.ref, c1.side, c1.rotation_deg) == ("C1", "top", 90.0)
    assert (c1.x_mm, c1.y_mm) == pytest.approx((25.4, -12.7))
    assert (u2.ref, u2.side, u2.rotation_deg) == ("U2", "bottom", 0.0)
    assert (u2.x_mm, u2.y_mm) == pytest.approx((50.8, 2.54))


def test_a_table_without_unit_is_read_as_the_unit_that_makes_a_board() -> None:
    head = "Ref,X,Y,Side\n"
    grid = [(i % 8, i // 8) for i in range(64)]
    for scale, word in ((3.0, "mm"), (300.0, "mil"), (0.12, "inch")):
        text = head + "".join(
            f"R{i},{x * scale},{y * scale},top\n" for i, (x, y) in enumerate(grid)
        )
        table = parse_centroids(text, where="t")
        assert not table.unit_stated
        assert f"read as {word}" in table.warnings[-1]
    forced = parse_centroids(text, where="t", unit="mm")
    assert forced.unit_stated
    assert forced.placements[1].x_mm == pytest.approx(0.12)


REFUSED = {
    "no header": ("1,2,3\n4,5,6\n", "no header"),
    "empty": ("", "is empty"),
    "no y": (MM.replace("Mid Y", "Height"), "no column of the y position"),
    "no places": (MM.replace("Mid ", "Size "), "no column of the x position and y position"),
    "one place in mil": (
        MM.replace("Mid X", "Mid X (mm)") + "C3,30,5,Top,0\nC4,3415,500,Top,0\n",
        "C4 lies 3",
    ),
    "no parts": ("Ref,X,Y,Side\n", "holds no part"),
    "text x": (MM.replace("25.4", "left"), "line 2"),
    "infinite x": (MM.replace("25.4", "1e999"), "line 2"),
    "unknown side": (MM.replace("TopLayer", "inner"), "side 'inner' of C1"),
    "text rotation": (MM.replace(",90", ",up"), "rotation of C1"),
    "twice": (MM + "c1,1,2,Top,0\n", "appears twice"),
    "too many cells": (MM.replace("C1,", "C1,,x,"), "line 2"),
    "unknown unit": (MM.replace("25.4", "25.4 furlong"), "line 2"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_bad_tables_are_one_line(name: str) -> None:
    text, expected = REFUSED[name]
    with pytest.raises(BoardError) as caught:
        parse_centroids(text, where="file.csv")
    assert expected in caught.value.sentence
    assert "file.csv" in caught.value.sentence


def test_lines_without_a_place_are_left_out_and_said() -> None:
    table = parse_centroids(MM + "DNP1,,,Top,\n,,,,\n,3,4,Top,0\n", where="t", unit="mm")
    assert [p.ref for p in table.placements] == ["C1", "U2"]
    assert "2 lines" in table.warnings[0]


names = st.from_regex(r"[A-Z]{1,3}[0-9]{1,4}[A-Z]?", fullmatch=True)
coordinates = st.integers(-200000, 200000).map(lambda n: n / 10000)


@given(
    rows=st.lists(
        st.tuples(names, coordinates, coordinates, st.integers(0, 3599),
                  st.sampled_from(["top", "bottom"])),
        min_size=1, max_size=20, unique_by=lambda r: r[0],
    ),
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    comma=st.booleans(),
    unit=st.sampled_from([("mm", 1.0), ("mil", 0.0254), ("inch", 25.4)]),
    remarks=st.lists(st.sampled_from(["", "some remark", "1.2.3", "made by a program, v2"]),
                     max_size=4),
)  # fmt: skip
def test_written_and_read_is_identity(rows, delimiter, comma, unit, remarks) -> None:
    def cell(value: float) -> str:
        text = repr(value).replace(".", ",") if comma else repr(value)
        return f'"{text}"' if delimiter in text else text

    word, scale = unit
    lines = [*remarks, delimiter.join(("RefDes", f"X ({word})", f"Y ({word})", "Rotation", "Side"))]
    for ref, x, y, rotation, side in rows:
        lines.append(delimiter.join((ref, cell(x), cell(y), cell(rotation / 10), side)))
    got = parse_centroids("\n".join(lines) + "\n", where="t").placements
    assert [(p.ref, p.side, p.rotation_deg) for p in got] == [(r[0], r[4], r[3] / 10) for r in rows]
    for p, r in zip(got, rows, strict=True):
        assert (p.x_mm, p.y_mm) == pytest.approx((r[1] * scale, r[2] * scale), abs=1e-9)


def test_a_bill_of_materials_lists_many_references_a_line(tmp_path: Path) -> None:
    path = tmp_path / "bom.csv"
    path.write_text('Designator,Footprint,Quantity,Value\n"C1, c2",0402,2,100n\nU1,QFN,1,CPU\n')
    bill = load_bill_of_materials(path)
    assert bill == {"C1": ("0402", "100n"), "C2": ("0402", "100n"), "U1": ("QFN", "CPU")}
