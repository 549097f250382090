"""What is on the board: photo, scale, parts, rails, and the role each part plays on a rail."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

import numpy as np

from hotspot.checks import FloatArray


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
    SERIES = "series"  # rail to another net: path of the current
    LOAD = "load"  # an IC fed by the rail: a candidate with its own prior
    UNKNOWN = "unknown"  # nets not known: a weak candidate, never dropped
    UNRELATED = "unrelated"


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


# Two-terminal kinds whose one end on the rail and other end elsewhere make them a current path.
_TWO_TERMINAL = frozenset(
    {Kind.CAPACITOR, Kind.RESISTOR, Kind.INDUCTOR, Kind.BEAD, Kind.FUSE, Kind.DIODE}
)
# Kinds that have no electrical life of their own on a rail.
_PASSIVE_METAL = frozenset({Kind.SHIELD, Kind.TEST_POINT})


def role_on_rail(part: Part, *, rail: str, ground: tuple[str, ...]) -> Role:
    """Return what `part` is to the rail under injection.

    A capacitor from the rail to any other net is a shunt only if that net is a ground; from the
    rail to a non-ground net a conducting two-terminal part is a path. A part whose nets are not
    known is `Role.UNKNOWN`: it stays a weak candidate.
    """
    if part.kind in _PASSIVE_METAL:
        return Role.UNRELATED
    nets = {n.casefold() for n in part.nets}
    if not nets:
        return Role.UNKNOWN
    grounds = {g.casefold() for g in ground}
    if rail.casefold() not in nets:
        return Role.UNRELATED
    others = nets - {rail.casefold()}
    if part.kind in (Kind.IC, Kind.TRANSISTOR, Kind.CONNECTOR, Kind.OTHER):
        return Role.LOAD
    if others & grounds:
        return Role.SHUNT
    if part.kind in (Kind.INDUCTOR, Kind.BEAD, Kind.FUSE, Kind.RESISTOR):
        return Role.SERIES if others else Role.UNKNOWN
    if part.kind in _TWO_TERMINAL and others:
        return Role.SHUNT if part.kind is Kind.DIODE else Role.UNRELATED
    return Role.UNKNOWN
