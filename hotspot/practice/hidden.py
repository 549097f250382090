"""A short that nobody has been told of: for practice, and for tests on many boards."""

from __future__ import annotations

from typing import Any

import numpy as np

from hotspot.board import Board, Kind, Role, role_on_rail
from hotspot.practice.scene import Scene, build_scene

# Shorted ceramic capacitors measure from some ten milliohm to an ohm (common practice, no source).
SHORT_OHM = (0.02, 1.0)


def build_hidden_scene(board: Board, *, rng: np.random.Generator, **options: Any) -> Scene:
    """Return a scene with a short at a capacitor drawn by lot.

    Parameters
    ----------
    board
        With rails and nets.
    rng
        Draws the rail, the capacitor and its resistance (log-uniform over `SHORT_OHM`).
    options
        As for `hotspot.practice.scene.build_scene`.

    Raises
    ------
    ValueError
        If no rail of the board has a capacitor to ground on its upper side.
    """
    shunts = {
        rail.name: [
            part.ref
            for part in board.parts
            if part.kind is Kind.CAPACITOR
            and part.side != "bottom"
            and role_on_rail(part, rail=rail.name, ground=board.ground) is Role.SHUNT
        ]
        for rail in board.rails
    }
    names = [name for name, refs in shunts.items() if refs]
    if not names:
        raise ValueError("board must have a rail with a capacitor to ground, got none")
    rail = names[int(rng.integers(len(names)))]
    fault = shunts[rail][int(rng.integers(len(shunts[rail])))]
    low, high = np.log(SHORT_OHM)
    return build_scene(
        board, rail=rail, fault=fault, short_ohm=float(np.exp(rng.uniform(low, high))), **options
    )
