"""The part map lies where the parts are, on photo and paper, and colours the right ones."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from hotspot.board import Board, Kind, Part, Rail
from hotspot.errors import BoardError
from hotspot.evidence import boardmap, paper

PARTS = (
    Part("C1", Kind.CAPACITOR, "1210", 10, 10, 3.2, 2.5, 0, "top", ("3V3", "GND")),
    Part("R1", Kind.RESISTOR, "1210", 30, 20, 3.2, 2.5, 0, "top", ("A", "B")),
    Part("U1", Kind.IC, "QFN", 20, 12, 4, 4, 30, "bottom", ("3V3", "GND")),
)
BOARD = Board("card", PARTS, rails=(Rail("3V3", 3.3),), width_mm=40, height_mm=25)


def with_photo(folder: Path) -> Board:
    """A photo of 20 px a mm, y down from 25 mm."""
    Image.new("RGB", (800, 500), (0, 0, 0)).save(folder / "photo.png")
    marks = np.array([[0, 0, 0, 500], [40, 0, 800, 500], [40, 25, 800, 0], [0, 25, 0, 0]], float)
    return replace(BOARD, photo=folder / "photo.png", photo_landmarks=marks)


def nearest(pixels: np.ndarray, colour: str) -> np.ndarray:
    rgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])
    return np.argwhere(np.abs(pixels.astype(int) - rgb).sum(axis=2) < 12)


def test_a_shunt_is_marked_where_it_lies_on_the_photo(tmp_path: Path) -> None:
    figure = boardmap.build_board_figure(with_photo(tmp_path), rail="3V3")
    pixels = paper.to_pixels(figure)
    marks = nearest(pixels, "#d55e00")
    picture = marks[marks[:, 0] < pixels.shape[0] - 92]  # without the legend
    # 10 mm, 10 mm is photo px (200, 300) of 800 x 500, drawn 1520 px wide below a head of 96 px.
    expected_x, expected_y = 40 + 200 * 1.9, 96 + 300 * 1.9
    low, high = picture.min(axis=0), picture.max(axis=0)
    assert 0.5 * (low + high) == pytest.approx([expected_y, expected_x], abs=2.5)
    assert high - low == pytest.approx([2.5 * 20 * 1.9, 3.2 * 20 * 1.9], abs=6)


def test_paper_keeps_y_up_and_shows_the_bottom(tmp_path: Path) -> None:
    pixels = paper.to_pixels(boardmap.build_board_figure(BOARD))
    foot = pixels.shape[0] - 92
    c1 = nearest(pixels[:foot], "#e69f00").mean(axis=0)
    r1 = nearest(pixels[:foot], "#56b4e9").mean(axis=0)
    assert r1[0] < c1[0]  # R1 has the larger y: further up
    assert r1[1] > c1[1]
    bottom = paper.to_pixels(boardmap.build_board_figure(with_photo(tmp_path), side="bottom"))
    assert len(nearest(bottom[:-92], "#0072b2")) > 100


def test_photo_px_boards_need_no_landmarks(tmp_path: Path) -> None:
    Image.new("RGB", (800, 500), (0, 0, 0)).save(tmp_path / "photo.png")
    part = Part("C9", Kind.CAPACITOR, "", 600, 100, 40, 20)
    board = Board("b", (part,), units="photo_px", photo=tmp_path / "photo.png")
    pixels = paper.to_pixels(boardmap.build_board_figure(board))
    at = nearest(pixels[:-92], "#e69f00").mean(axis=0)
    assert at == pytest.approx([96 + 100 * 1.9, 40 + 600 * 1.9], abs=4)


def test_nothing_to_draw_is_said() -> None:
    with pytest.raises(BoardError, match="no part on its top"):
        boardmap.build_board_figure(replace(BOARD, parts=()))
    with pytest.raises(BoardError, match="rail 5V is not on board"):
        boardmap.build_board_figure(BOARD, rail="5V")
    with pytest.raises(ValueError, match="side must be"):
        boardmap.build_board_figure(BOARD, side="edge")
