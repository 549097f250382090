"""What a part is to the rail under injection: facts of the trade, common practice, no source."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotspot.board import Board, Kind, Part, Rail, Role, find_power_nets, find_roles, role_on_rail
from hotspot.files.boards import load_board

DEMO = Path(__file__).resolve().parents[2] / "sample_frames" / "board"
C, R, L, D, U = Kind.CAPACITOR, Kind.RESISTOR, Kind.INDUCTOR, Kind.DIODE, Kind.IC


def part(kind: Kind, *nets: str) -> Part:
    return Part("X1", kind, "0402", 0, 0, 1.0, 0.5, nets=nets)


CASES = [
    (C, ("3V3", "GND"), Role.SHUNT),
    (C, ("3V3", "AGND"), Role.SHUNT),  # a second ground that the pack does not list
    (C, ("3v3", "gnd"), Role.SHUNT),
    (C, ("3V3",), Role.SHUNT),  # the other end unknown: nearly always ground
    (C, ("GND",), Role.UNKNOWN),  # the other end unknown: may be this rail
    (C, ("3V3", "FB"), Role.UNRELATED),  # feed-forward: blocks direct current
    (C, ("1V8", "GND"), Role.UNRELATED),
    (C, (), Role.UNKNOWN),
    (R, ("3V3", "SDA"), Role.UNRELATED),  # pull-up
    (R, ("3V3", "FB"), Role.UNRELATED),  # divider
    (R, ("3V3", "LED_A"), Role.UNRELATED),
    (R, ("3V3", "GND"), Role.SHUNT),  # discharge
    (R, ("3V3", "VDD_A"), Role.SERIES),  # jumper or filter to another supply net
    (R, ("VBUS", "3V3"), Role.SERIES),  # sense resistor
    (R, ("3V3",), Role.UNKNOWN),
    (L, ("SW", "3V3"), Role.SERIES),
    (L, ("3V3", "N1", "GND"), Role.SHUNT),
    (L, ("3V3", "VIN", "GND"), Role.SERIES),  # common-mode choke
    (Kind.BEAD, ("3V3", "N123"), Role.SERIES),
    (Kind.FUSE, ("3V3", "N$7"), Role.SERIES),
    (Kind.BEAD, ("3V3",), Role.UNKNOWN),
    (D, ("3V3", "GND"), Role.SHUNT),
    (D, ("3V3", "GND", "D_P"), Role.SHUNT),  # clamp array
    (D, ("VBUS", "3V3"), Role.SERIES),
    (D, ("3V3", "RELAY"), Role.UNRELATED),
    (U, ("3V3", "GND", "SDA"), Role.LOAD),
    (U, ("3V3",), Role.LOAD),
    (U, ("GND",), Role.UNKNOWN),
    (U, ("1V8", "GND"), Role.UNRELATED),
    (Kind.TRANSISTOR, ("VBAT", "3V3", "EN"), Role.LOAD),
    (Kind.CONNECTOR, ("3V3", "GND"), Role.LOAD),
    (Kind.OTHER, ("3V3", "1V8"), Role.SERIES),  # solder bridge
    (Kind.OTHER, ("3V3", "RESET"), Role.LOAD),
    (Kind.SHIELD, ("GND",), Role.UNRELATED),
    (Kind.TEST_POINT, ("3V3",), Role.UNRELATED),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "nets", "role"), CASES)
def test_roles(kind: Kind, nets: tuple[str, ...], role: Role) -> None:
    assert role_on_rail(part(kind, *nets), rail="3V3", ground=("GND",)) is role


def test_the_demo_board_has_coil_and_bead_as_path_and_no_pull_up() -> None:
    board = load_board(DEMO)
    roles = dict(zip((p.ref for p in board.parts), find_roles(board, rail="3V3"), strict=True))
    assert [ref for ref, role in roles.items() if role is Role.SERIES] == ["L1", "FB2"]
    assert {roles[r] for r in ("R2", "R4", "R5", "R6", "R15", "R16")} == {Role.UNRELATED}
    assert roles["C18"] is Role.SHUNT
    assert roles["U1"] is Role.LOAD
    assert "sw" in find_power_nets(board)  # joined to a rail by the coil
    assert "fb" not in find_power_nets(board)


def test_a_branch_behind_a_bead_is_a_supply_net() -> None:
    board = Board(
        "b",
        (
            replace(part(Kind.BEAD, "3V3", "N17"), ref="FB1"),
            replace(part(R, "N17", "N18"), ref="R1"),
            replace(part(R, "N18", "N19"), ref="R2"),
        ),
        rails=(Rail("3V3"), Rail("N18")),
    )
    assert find_power_nets(board) == {"3v3", "n17", "n18"}
    assert find_roles(board, rail="N18") == (Role.UNRELATED, Role.SERIES, Role.UNRELATED)


nets = st.sampled_from(["3V3", "GND", "SDA", "1V8", "SW", "n1", "AGND"])


@given(st.sampled_from(Kind), st.lists(nets, max_size=4, unique=True))
def test_order_and_case_of_nets_do_not_matter(kind: Kind, names: list[str]) -> None:
    plain = role_on_rail(part(kind, *names), rail="3V3", ground=("GND",))
    turned = part(kind, *(n.swapcase() for n in reversed(names)))
    assert role_on_rail(turned, rail="3v3", ground=("gnd",)) is plain
