"""What the cold picture adds to a registration: the parts' bodies, or else the board's edge."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.board import Board
from hotspot.line import refined
from hotspot.register.by_outline import board_corners_mm, refined_by_outline
from hotspot.register.registration import Registration
from tests.register.made_board import SHAPE, SIGMA_PX, cold_picture, made_board
from tests.register.test_by_parts import clicked, off_px, truly

NONE_BAD = np.zeros(SHAPE, dtype=bool)


def better(
    registration: Registration, board: Board | None, cold: np.ndarray
) -> tuple[Registration, np.ndarray | None]:
    return refined(registration, board=board, cold=cold, bad=NONE_BAD, sigma_px=SIGMA_PX)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_parts_tell_more_than_the_edge(seed: int) -> None:
    rng = np.random.default_rng(seed)
    board = made_board(rng)
    registration = clicked(rng, board)
    cold = cold_picture(board, rng, edge_k=0.5, placed_mm=0.04)
    by_edge, _ = refined_by_outline(registration, board=board, cold=cold, bad=NONE_BAD)
    by_parts, corners = better(registration, board, cold)
    assert "parts seen" in by_parts.refined_by
    assert by_parts.least_sigma_px < registration.least_sigma_px
    assert off_px(by_parts) < 0.1
    assert off_px(by_parts) < off_px(by_edge) < off_px(registration)
    # The corners are those of the map that is given back.
    mm = board_corners_mm(board)
    np.testing.assert_allclose(corners, by_parts.board_from_thermal.inverse().map(mm))
    np.testing.assert_allclose(corners, truly(mm), atol=0.3)


def test_where_no_part_is_seen_the_edge_tells() -> None:
    rng = np.random.default_rng(3)
    board = made_board(rng)
    registration = clicked(rng, board)
    cold = cold_picture(board, rng, contrast_k=0.0, edge_k=1.0)
    by_edge, corners_px = refined_by_outline(registration, board=board, cold=cold, bad=NONE_BAD)
    got, corners = better(registration, board, cold)
    assert by_edge is not registration
    np.testing.assert_array_equal(got.board_from_thermal.matrix, by_edge.board_from_thermal.matrix)
    assert got.refined_by == by_edge.refined_by
    assert got.least_sigma_px == registration.least_sigma_px
    np.testing.assert_allclose(corners, corners_px)


def test_where_neither_is_seen_it_is_left_as_it_is() -> None:
    rng = np.random.default_rng(4)
    board = made_board(rng)
    registration = clicked(rng, board)
    got, corners = better(registration, board, cold_picture(board, rng, contrast_k=0.0))
    assert got is registration
    mm = board_corners_mm(board)
    np.testing.assert_allclose(corners, registration.board_from_thermal.inverse().map(mm))


def test_parts_alone_tell_on_a_board_of_unknown_size() -> None:
    rng = np.random.default_rng(5)
    board = replace(made_board(rng), width_mm=None, height_mm=None)
    registration = clicked(rng, board)
    got, corners = better(registration, board, cold_picture(board, rng, edge_k=0.3))
    assert corners is None
    assert off_px(got) < 0.15
    assert off_px(got) < off_px(registration)


def test_without_a_board_there_is_nothing_to_refine() -> None:
    rng = np.random.default_rng(6)
    board = made_board(rng)
    registration = clicked(rng, board)
    assert better(registration, None, cold_picture(board, rng)) == (registration, None)
