import itertools

import cv2
import numpy as np
import pytest

from hotspot.board import Board, Kind, Role, role_on_rail
from hotspot.practice.demo_board import HOLES_MM, build_demo_board, build_demo_copper
from hotspot.practice.hidden import build_hidden_scene
from hotspot.practice.photo import build_photo, to_jpeg


@pytest.fixture(scope="module")
def photo():
    return build_photo(build_demo_board(), width_px=800, rng=np.random.default_rng(1))


def test_the_board_has_what_makes_the_job_hard():
    board = build_demo_board()
    assert len(board.parts) >= 60
    assert len({p.ref for p in board.parts}) == len(board.parts)
    alike = [
        p
        for p in board.parts
        if p.package == "0402" and role_on_rail(p, rail="3v3", ground=board.ground) is Role.SHUNT
    ]
    assert len(alike) >= 12
    assert {Kind.SHIELD, Kind.INDUCTOR, Kind.BEAD, Kind.CONNECTOR} <= {p.kind for p in board.parts}
    inductor = board.part("L3")
    assert role_on_rail(inductor, rail="VSYS", ground=board.ground) is Role.SERIES


def test_parts_lie_on_the_board_and_not_on_one_another():
    board = build_demo_board()
    boxes = {p.ref: (p.corners_mm().min(axis=0), p.corners_mm().max(axis=0)) for p in board.parts}
    for low, high in boxes.values():
        assert (low >= 0).all()
        assert (high <= [board.width_mm, board.height_mm]).all()
    for a, b in itertools.combinations(boxes, 2):
        if "SH1" in (a, b):
            continue  # the can stands over its parts
        shared = np.minimum(boxes[a][1], boxes[b][1]) - np.maximum(boxes[a][0], boxes[b][0])
        assert (shared <= 0).any(), f"{a} and {b} overlap"


def test_the_copper_is_uneven_and_positive():
    factor = build_demo_copper((44, 64))
    assert factor.shape == (44, 64)
    assert factor.min() > 0
    assert factor.max() / factor.min() > 3


def test_the_photo_shows_each_part_where_its_landmarks_say(photo):
    # Holes show the dark mat, their rings are gold: an independent look at the mapping.
    for x, y in np.round(photo.landmarks[:, 2:]).astype(int):
        hole = photo.rgb[y, x].astype(int)
        ring = photo.rgb[y, x + round(1.9 * 800 / 72)].astype(int)
        assert ring[0] - ring[2] > 40  # gold: more red than blue
        assert hole.sum() < ring.sum() - 150
    board = build_demo_board()
    for ref, dark in (("U1", True), ("J1", False)):
        part = board.part(ref)
        u = photo.photo_from_board @ [part.x_mm + 2.0, part.y_mm - 2.6, 1.0]
        x, y = np.round(u[:2] / u[2]).astype(int)
        assert (photo.rgb[y, x].mean() < 100) == dark


def test_the_landmarks_give_the_photo_mapping_back(photo):
    marks = photo.landmarks
    np.testing.assert_allclose(marks[:, :2], HOLES_MM)
    matrix, _ = cv2.findHomography(marks[:, :2], marks[:, 2:])
    np.testing.assert_allclose(matrix, photo.photo_from_board, rtol=1e-2, atol=1e-3)


def test_the_jpeg_holds_the_picture(photo):
    data = np.frombuffer(to_jpeg(photo.rgb), dtype=np.uint8)
    back = cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1]
    assert back.shape == photo.rgb.shape
    assert np.abs(back.astype(int) - photo.rgb).mean() < 4


def test_a_board_without_an_outline_has_no_photo():
    with pytest.raises(ValueError, match="board must have width_mm and height_mm"):
        build_photo(Board(name="x", parts=()), rng=np.random.default_rng(0))


def test_a_hidden_short_is_a_capacitor_on_its_rail_and_another_each_time():
    board = build_demo_board()
    rng = np.random.default_rng(9)
    scenes = [build_hidden_scene(board, rng=rng) for _ in range(30)]
    for scene in scenes:
        part = board.part(scene.circuit.short_ref)
        assert part.kind is Kind.CAPACITOR
        assert role_on_rail(part, rail=scene.rail, ground=board.ground) is Role.SHUNT
        assert 0.02 <= scene.circuit.short_ohm <= 1.0
    assert len({s.circuit.short_ref for s in scenes}) > 15
    assert len({s.rail for s in scenes}) == len(board.rails)
    with pytest.raises(ValueError, match="board must have a rail with a capacitor"):
        build_hidden_scene(Board(name="x", parts=()), rng=rng)
