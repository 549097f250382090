"""A short on real boards: the simulator takes their design exports and warms the right place.

Boards: open designs, see ``ATTRIBUTION.md`` beside each in ``tests/data``. The fault is ours.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hotspot.board import Kind, Rail, Role, role_on_rail
from hotspot.files.imports import Sources, import_board
from hotspot.practice import CameraSettings, Switching, build_scene, simulate_recording

DATA = Path(__file__).resolve().parents[1] / "data"


def load(name):
    folder = DATA / name
    board = import_board(
        Sources(
            centroids=folder / "positions.csv",
            netlist=folder / "netlist.ipc",
            bill_of_materials=folder / "bom.csv",
        ),
        name=name,
    )
    places = np.array([(p.x_mm, p.y_mm) for p in board.parts])
    width, height = np.ptp(places, axis=0) + 5.0  # the exports do not tell the outline
    return replace(
        board,
        width_mm=board.width_mm or float(width),
        height_mm=board.height_mm or float(height),
    )


def busiest_rail(board):
    """The net with most capacitors to ground."""
    capacitors = [p for p in board.parts if p.kind is Kind.CAPACITOR and p.side == "top"]
    nets = {n for p in capacitors for n in p.nets} - set(board.ground)
    shunts = {
        net: [p for p in capacitors if role_on_rail(p, rail=net, ground=board.ground) is Role.SHUNT]
        for net in sorted(nets)
    }
    name = max(shunts, key=lambda net: len(shunts[net]))
    return name, shunts[name]


@pytest.mark.parametrize("name", ["feather_board", "can_adapter", "motion_light"])
def test_the_shorted_capacitor_of_a_real_board_is_the_warmest_place(name):
    board = load(name)
    rail, shunts = busiest_rail(board)
    assert len(shunts) >= 2
    fault = shunts[len(shunts) // 2]
    camera = CameraSettings(width=161, height=120, netd_mk=30.0)
    scene = build_scene(
        replace(board, rails=(Rail(rail),)), rail=rail, fault=fault.ref, short_ohm=0.1,
        camera=camera,
    )  # fmt: skip
    on_top = [b for b in scene.bodies if b.seen]
    assert len(on_top) >= 0.9 * sum(p.side != "bottom" for p in board.parts)
    truth = simulate_recording(
        scene, Switching(edges_s=(0.5,), amps=1.0), duration_s=5.0, rng=np.random.default_rng(2)
    ).truth
    y, x = np.unravel_index(truth.rise_k.argmax(), truth.rise_k.shape)
    expected = scene.to_thermal_px(np.array([fault.x_mm, fault.y_mm]))[0]
    assert np.hypot(x - expected[0], y - expected[1]) < 2.0
    assert truth.rise_k.max() > 0.3
