"""Each kind of mistake in a board pack is named once, with its cure; a good pack has none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from hotspot.board import Board, Kind, Part, Rail
from hotspot.files.packcheck import check_board


@pytest.fixture
def board(tmp_path: Path) -> Board:
    Image.new("RGB", (400, 250)).save(tmp_path / "photo.png")
    parts = tuple(
        Part(f"C{i}", Kind.CAPACITOR, "0402", 4.0 * i, 2.0 * i, 1.0, 0.5, 0, "top", ("3V3", "GND"))
        for i in range(1, 10)
    )
    marks = np.array([[0, 0, 0, 249], [40, 0, 399, 249], [40, 25, 399, 0], [0, 25, 0, 0]], float)
    return Board("b", parts, (Rail("3V3", 3.3),), ("GND",), 40.0, 25.0, 1.6,
                 photo=tmp_path / "photo.png", photo_landmarks=marks)  # fmt: skip


def severe(board: Board) -> list[str]:
    return [p.sentence for p in check_board(board) if p.severe]


def test_a_good_pack_has_no_problem(board: Board) -> None:
    assert check_board(board) == ()


def test_each_mistake_is_named(board: Board, tmp_path: Path) -> None:
    first, rest = board.parts[0], board.parts[1:]
    line = np.array([[i, i, 10.0 * i, 10.0 * i] for i in range(4)])
    outside = np.array(board.photo_landmarks)
    outside[2, 2] = 900
    (tmp_path / "bad.png").write_bytes(b"no picture")
    cases = {
        "appears twice": replace(board, parts=(first, replace(first, ref="c1"), *rest)),
        "off the board: C1": replace(board, parts=(replace(first, x_mm=400.0), *rest)),
        "no size": replace(board, parts=(replace(first, width_mm=0.0), *rest)),
        "rail 5V is on no part": replace(board, rails=(Rail("5V", 5.0),)),
        "ground net EARTH": replace(board, ground=("EARTH",)),
        "max_v is below": replace(board, rails=(Rail("3V3", 3.3, max_v=1.0),)),
        "on one line": replace(board, photo_landmarks=line),
        "landmark 3 lies outside": replace(board, photo_landmarks=outside),
        "2 photo landmarks": replace(board, photo_landmarks=board.photo_landmarks[:2]),
        "not a readable PNG": replace(board, photo=tmp_path / "bad.png"),
    }
    for expected, spoiled in cases.items():
        assert any(expected in s for s in severe(spoiled)), (expected, severe(spoiled))


def test_what_is_missing_is_a_remark_not_a_fault(board: Board) -> None:
    bare = replace(
        board, rails=(), photo=None, parts=tuple(replace(p, nets=()) for p in board.parts)
    )
    assert severe(bare) == []
    text = " ".join(p.sentence for p in check_board(bare))
    assert "no rails" in text
    assert "no photo" in text
    assert "nets unknown for C1" in text


def test_an_origin_anywhere_is_no_fault(board: Board) -> None:
    moved = tuple(replace(p, x_mm=p.x_mm + 125.0, y_mm=-p.y_mm - 90.0) for p in board.parts)
    assert not any("off the board" in s for s in severe(replace(board, parts=moved)))
