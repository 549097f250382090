"""What is on the board: photo, scale, parts, rails, and the role each part plays on a rail."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

import numpy as np

from hotspot.checks import FloatArray
from hotspot.nets import is_ground_name, is_rail_name


class Kind(StrEnum):
    """Kind of part, in the words of the board pack."""

    CAPACITOR = "capacitor"
    RESISTOR = "resistor"
    INDUCTOR = "inductor"
    BEAD = "bead"
    IC = "ic"
    CONNECTOR = "connector"
    SHIELD = "shield"
    TEST_POINT = "test_point"
    DIODE = "diode"
    TRANSISTOR = "transistor"
    FUSE = "fuse"
    OTHER = "other"


class Role(StrEnum):
    """What a part is to the rail under injection."""

    SHUNT = "shunt"  # rail to ground: a candidate
    SERIES = "series"  # rail to another supply net: path of the current
    LOAD = "load"  # an IC fed by the rail: a candidate with its own prior
    UNKNOWN = "unknown"  # nets not known: a weak candidate, never dropped
    UNRELATED = "unrelated"  # not on the rail, or with too little current to matter


@dataclass(frozen=True, slots=True)
class Part:
    """One part.

    Attributes
    ----------
    ref
        Reference designator, "C17".
    kind, package
        Kind and package name ("0402"; may be empty).
    x_mm, y_mm
        Centre of the body in board coordinates (or photo px, see `Board.units`).
    width_mm, height_mm
        Body along its own axes before rotation.
    rotation_deg
        Counter-clockwise in board coordinates.
    side
        "top" or "bottom".
    nets
        Names of the nets it touches, empty when unknown.
    """

    ref: str
    kind: Kind
    package: str
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    rotation_deg: float = 0.0
    side: str = "top"
    nets: tuple[str, ...] = ()

    def corners_mm(self) -> FloatArray:
        """Return the (4, 2) corners of the rotated body in board coordinates."""
        angle = np.deg2rad(self.rotation_deg)
        c, s = np.cos(angle), np.sin(angle)
        half = 0.5 * np.array([self.width_mm, self.height_mm])
        box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], dtype=np.float64) * half
        corners: FloatArray = box @ np.array([[c, s], [-s, c]]) + [self.x_mm, self.y_mm]
        return corners


@dataclass(frozen=True, slots=True)
class Rail:
    """One supply rail.

    Attributes
    ----------
    name
        Net name.
    nominal_v, max_v
        Nominal voltage, and the most the parts on it may see; None if unknown.
    healthy_ohm, healthy_diode_v
        Readings of a good board; None if unknown.
    inject_at_mm
        Where to put the probe, board coordinates; None if not noted.
    """

    name: str
    nominal_v: float | None = None
    max_v: float | None = None
    healthy_ohm: float | None = None
    healthy_diode_v: float | None = None
    inject_at_mm: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Board:
    """A board pack.

    Attributes
    ----------
    name
        Board type.
    width_mm, height_mm, thickness_mm
        Outline and thickness; None when no scale is known.
    units
        "mm", or "photo_px" when parts were placed on a photo without a scale; then all "mm"
        fields of the parts hold photo pixels.
    ground
        Names of the ground nets.
    photo
        Path of the photo, or None.
    photo_landmarks
        (n, 4) rows board x mm, board y mm, photo x px, photo y px; (0, 4) when there are none.
    folder
        Where the pack was read from, or None.
    """

    name: str
    parts: tuple[Part, ...]
    rails: tuple[Rail, ...] = ()
    ground: tuple[str, ...] = ("GND",)
    width_mm: float | None = None
    height_mm: float | None = None
    thickness_mm: float | None = None
    copper_layers: int | None = None
    copper_um: float | None = None
    units: str = "mm"
    photo: Path | None = None
    photo_landmarks: FloatArray = field(default_factory=lambda: np.zeros((0, 4)))
    folder: Path | None = None
    warnings: tuple[str, ...] = ()

    def rail(self, name: str) -> Rail | None:
        """Return the rail of that name (letter case ignored), or None."""
        wanted = name.casefold()
        return next((r for r in self.rails if r.name.casefold() == wanted), None)

    def part(self, ref: str) -> Part | None:
        """Return the part of that reference (letter case ignored), or None."""
        wanted = ref.casefold()
        return next((p for p in self.parts if p.ref.casefold() == wanted), None)


# Kinds that have no electrical life of their own on a rail.
_PASSIVE_METAL = frozenset({Kind.SHIELD, Kind.TEST_POINT})
# Parts made to let direct current pass with next to no resistance.
_LOW_OHM = frozenset({Kind.INDUCTOR, Kind.BEAD, Kind.FUSE})
# Kinds that are often the short, and whose pins a map by hand may not name in full.
_OFTEN_SHORTED = frozenset({Kind.CAPACITOR, Kind.DIODE, Kind.TRANSISTOR, Kind.IC})


def find_power_nets(board: Board) -> frozenset[str]:
    """Return the nets that carry supply current, in lower case.

    The board's rails, nets named like one, and what coils, beads and fuses join to these (the
    switched node of a converter, a filtered branch).
    """
    nets = {n for p in board.parts for n in p.nets}
    grounds = _grounds(nets, board.ground)
    power = {r.name.casefold() for r in board.rails}
    power |= {n.casefold() for n in nets if is_rail_name(n)}
    joins = [{n.casefold() for n in p.nets} - grounds for p in board.parts if p.kind in _LOW_OHM]
    before = -1
    while len(power) != before:
        before = len(power)
        for ends in joins:
            if ends & power:
                power |= ends
    return frozenset(power - grounds)


def role_on_rail(
    part: Part, *, rail: str, ground: tuple[str, ...], power: Collection[str] | None = None
) -> Role:
    """Return what `part` is to the rail under injection.

    Path is what the injected current passes to reach a short elsewhere: a coil, bead or fuse from
    the rail to any net, a resistor (jumper, sense resistor), diode or closed switch from the rail
    to another net that carries supply current. A resistor from the rail to a signal (pull-up,
    divider, series resistor of a lamp) lets through too little to be path or short. What is not
    known counts as weak candidate, never as nothing: a capacitor known to be on the rail is taken
    to go to ground, as nearly all do (common practice, no source).

    Parameters
    ----------
    part
        The part.
    rail
        Name of the rail; letter case is ignored in all names.
    ground
        Ground nets; nets named like a ground count as well.
    power
        Nets that carry supply current (`find_power_nets`); by their names alone when None.
    """
    if part.kind in _PASSIVE_METAL:
        return Role.UNRELATED
    nets = {n.casefold() for n in part.nets}
    if not nets:
        return Role.UNKNOWN
    here = rail.casefold()
    grounds = _grounds(part.nets, ground) - {here}
    if here not in nets:
        # Nothing but its ground is known: the other end may well be on this rail.
        half_known = part.kind in _OFTEN_SHORTED and nets <= grounds
        return Role.UNKNOWN if half_known else Role.UNRELATED
    others = nets - {here} - grounds
    if power is None:
        carries = {n.casefold() for n in part.nets if is_rail_name(n)} & others
    else:
        carries = {n.casefold() for n in power} & others
    if part.kind in (Kind.IC, Kind.TRANSISTOR, Kind.CONNECTOR):
        return Role.LOAD
    if part.kind is Kind.OTHER:
        return Role.SERIES if carries and len(nets) == 2 else Role.LOAD
    # A coil with supply in, supply out and ground is a common-mode choke.
    if nets & grounds and not (part.kind is Kind.INDUCTOR and carries):
        return Role.SHUNT
    if part.kind is Kind.CAPACITOR:
        return Role.UNRELATED if others else Role.SHUNT
    if not others:
        return Role.UNKNOWN
    if part.kind in _LOW_OHM or carries:
        return Role.SERIES
    return Role.UNRELATED


def find_roles(board: Board, *, rail: str) -> tuple[Role, ...]:
    """Return what each part of the board is to the rail, in the board's order."""
    power = find_power_nets(board)
    return tuple(role_on_rail(p, rail=rail, ground=board.ground, power=power) for p in board.parts)


def _grounds(nets: Iterable[str], ground: tuple[str, ...]) -> set[str]:
    named = {n.casefold() for n in nets if is_ground_name(n)}
    return named | {g.casefold() for g in ground}
