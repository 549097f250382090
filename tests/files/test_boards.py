"""Board packs: read, written, and refused with the line that is at fault."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hotspot.board import Board, Kind, Part, Rail
from hotspot.errors import BoardError
from hotspot.files.boards import load_board, save_board

TOML = """format = 1
name = "card"
width_mm = 40
height_mm = 30.5
thickness_mm = 1.6
copper_layers = 4
ground = ["GND", "AGND"]
[[rails]]
name = "3V3"
nominal_v = 3.3
inject_at = {x_mm = 1, y_mm = -2.5}
"""
PARTS = """ref,kind,package,x_mm,y_mm,width_mm,height_mm,rotation_deg,side,nets
C1,capacitor,0402,1.5,-2,1.0,0.5,90,top,3V3;GND
U1,ic,QFN-16,5,5,4,4,,bottom,
TP1,test_point,,7,8,1,1,0,top,3V3
"""


@pytest.fixture
def pack(tmp_path: Path) -> Path:
    (tmp_path / "board.toml").write_text(TOML)
    (tmp_path / "parts.csv").write_text(PARTS)
    return tmp_path


def test_a_pack_is_read(pack: Path) -> None:
    (pack / "photo.jpg").write_bytes(b"x")
    (pack / "photo_landmarks.csv").write_text(
        "board_x_mm,board_y_mm,photo_x_px,photo_y_px\n0,0,10,300\n40,0,410,300\n"
    )
    board = load_board(pack)
    assert (board.name, board.width_mm, board.copper_layers) == ("card", 40.0, 4)
    assert board.ground == ("GND", "AGND")
    assert board.rails == (Rail("3V3", nominal_v=3.3, inject_at_mm=(1.0, -2.5)),)
    assert board.part("c1") == Part(
        "C1", Kind.CAPACITOR, "0402", 1.5, -2.0, 1.0, 0.5, 90.0, "top", ("3V3", "GND")
    )
    assert board.parts[1].side == "bottom"
    assert board.parts[1].nets == ()
    assert board.photo == pack / "photo.jpg"
    assert board.photo_landmarks.shape == (2, 4)


REFUSED = {
    "unknown kind": ("parts.csv", "capacitor", "flux capacitor", "line 2"),
    "unknown side": ("parts.csv", "bottom", "inside", "line 3"),
    "ref twice": ("parts.csv", "TP1", "c1", "already on line 2"),
    "no ref": ("parts.csv", "TP1,", ",", "ref is empty"),
    "text x": ("parts.csv", "1.5,-2", "left,-2", "x_mm"),
    "no size": ("parts.csv", "1.0,0.5", "0,0.5", "> 0"),
    "missing column": ("parts.csv", "x_mm", "xx", "x_mm is missing"),
    "bad toml": ("board.toml", "width_mm = 40", "width_mm = forty", "line 3"),
    "negative": ("board.toml", "width_mm = 40", "width_mm = -40", "width_mm must be > 0"),
    "units": ("board.toml", "format = 1", 'format = 1\nunits = "inch"', "photo_px"),
    "rail name": ("board.toml", 'name = "3V3"', "max_v = 3", "name is missing"),
    "place": ("board.toml", "x_mm = 1,", "", "x_mm"),
    "ground": ("board.toml", '["GND", "AGND"]', "3", "ground"),
    "format": ("board.toml", "format = 1", "format = 9", "format 1"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_bad_packs_are_one_line(name: str, pack: Path) -> None:
    file, old, new, expected = REFUSED[name]
    text = (pack / file).read_text()
    assert old in text
    (pack / file).write_text(text.replace(old, new, 1))
    with pytest.raises(BoardError) as caught:
        load_board(pack)
    assert expected in caught.value.sentence
    assert "\n" not in caught.value.sentence


def test_not_a_pack(tmp_path: Path) -> None:
    with pytest.raises(BoardError, match=r"board\.toml"):
        load_board(tmp_path)
    with pytest.raises(BoardError, match="no such folder"):
        load_board(tmp_path / "none")


names = st.text(
    st.characters(blacklist_categories=("Cs", "Cc", "Zs", "Zl", "Zp"), blacklist_characters=";"),
    min_size=1,
    max_size=8,
).filter(lambda s: s == s.strip() and s.casefold() != "")
lengths = st.floats(0.01, 500)
places = st.floats(-500, 500)
parts = st.builds(
    Part, ref=names, kind=st.sampled_from(Kind), package=names, x_mm=places, y_mm=places,
    width_mm=lengths, height_mm=lengths, rotation_deg=st.floats(-360, 360),
    side=st.sampled_from(["top", "bottom"]), nets=st.lists(names, max_size=3).map(tuple),
)  # fmt: skip
maybe = st.none() | lengths
rails = st.builds(
    Rail, name=names, nominal_v=maybe, max_v=maybe, healthy_ohm=maybe, healthy_diode_v=maybe,
    inject_at_mm=st.none() | st.tuples(places, places),
)  # fmt: skip


@settings(
    max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(
    parts=st.lists(parts, max_size=5, unique_by=lambda p: p.ref.casefold()),
    rails=st.lists(rails, max_size=3, unique_by=lambda r: r.name.casefold()),
    name=names,
    width_mm=maybe,
    copper_layers=st.none() | st.integers(1, 40),
    units=st.sampled_from(["mm", "photo_px"]),
    landmarks=st.lists(st.tuples(places, places, places, places), max_size=4),
)
def test_save_and_load_is_identity(tmp_path: Path, parts, rails, landmarks, **rest) -> None:
    board = Board(parts=tuple(parts), rails=tuple(rails), **rest,
                  photo_landmarks=np.array(landmarks, dtype=float).reshape(-1, 4))  # fmt: skip
    (tmp_path / "photo_landmarks.csv").unlink(missing_ok=True)
    save_board(board, tmp_path)
    got = load_board(tmp_path)
    for field in ("name", "parts", "rails", "ground", "width_mm", "copper_layers", "units"):
        assert getattr(got, field) == getattr(board, field)
    np.testing.assert_array_equal(got.photo_landmarks, board.photo_landmarks)


def test_the_photo_is_copied_in(pack: Path, tmp_path: Path) -> None:
    (pack / "photo.png").write_bytes(b"picture")
    save_board(load_board(pack), tmp_path / "copy")
    board = load_board(tmp_path / "copy")
    assert board.photo is not None
    assert board.photo.read_bytes() == b"picture"
    save_board(board, tmp_path / "copy")  # onto itself: nothing lost
    assert board.photo.read_bytes() == b"picture"
