"""Where a part's body is: its package's name, else its pads, else the usual size of its kind."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hotspot.board import Kind
from hotspot.checks import FloatArray
from hotspot.files.centroids import Placement
from hotspot.files.netlists import Netlist, Pad
from hotspot.files.packages import body_size_mm, chip_by_pitch_mm

# Side in mm of a part of which nothing is known but its letters; common practice, no source.
_USUAL_MM = {
    Kind.CAPACITOR: (1.0, 0.5), Kind.RESISTOR: (1.0, 0.5), Kind.BEAD: (1.0, 0.5),
    Kind.INDUCTOR: (3.0, 3.0), Kind.DIODE: (1.7, 1.25), Kind.TRANSISTOR: (2.9, 1.3),
    Kind.IC: (4.0, 4.0), Kind.FUSE: (1.6, 0.8), Kind.TEST_POINT: (1.0, 1.0),
    Kind.CONNECTOR: (5.0, 3.0), Kind.SHIELD: (10.0, 10.0), Kind.OTHER: (2.0, 2.0),
}  # fmt: skip
_CHIP_KINDS = (Kind.CAPACITOR, Kind.RESISTOR, Kind.BEAD, Kind.FUSE, Kind.INDUCTOR, Kind.DIODE)


@dataclass(frozen=True, slots=True)
class PadGroup:
    """All pads of one part."""

    pads: tuple[Pad, ...]

    @property
    def nets(self) -> tuple[str, ...]:
        """Nets in order of the pads, each once."""
        return tuple(dict.fromkeys(p.net for p in self.pads))

    @property
    def pins(self) -> int:
        """Number of different pins."""
        return len({p.pin for p in self.pads})

    @property
    def side(self) -> str:
        """Side by the surface pads' access; through-hole parts count as top."""
        surface = [p for p in self.pads if not p.through]
        return "bottom" if surface and all(p.access > 1 for p in surface) else "top"

    @property
    def rotation_deg(self) -> float:
        """Direction from the first pad to the last of a two-pin part; 0 for others."""
        places = {p.pin: (p.x_mm, p.y_mm) for p in self.pads}
        if len(places) != 2:
            return 0.0
        (x0, y0), (x1, y1) = places.values()
        return float(round(np.degrees(np.arctan2(y1 - y0, x1 - x0)), 1))

    @property
    def centre_mm(self) -> tuple[float, float]:
        """Middle of the box around all pads."""
        low, high = self._box(0.0)
        x, y = 0.5 * (low + high)
        return float(x), float(y)

    @property
    def pitch_mm(self) -> float | None:
        """Distance of the two pads' centres; None unless there are two."""
        places = {p.pin: (p.x_mm, p.y_mm) for p in self.pads}
        if len(places) != 2 or len(self.pads) != 2:
            return None
        (x0, y0), (x1, y1) = places.values()
        return float(np.hypot(x1 - x0, y1 - y0))

    def distance_mm(self, x_mm: float, y_mm: float) -> float:
        """Return the distance from the pads' middle."""
        x, y = self.centre_mm
        return float(np.hypot(x - x_mm, y - y_mm))

    def size_mm(self, rotation_deg: float) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return (centre, size) of the box around the pads along axes turned by `rotation_deg`."""
        low, high = self._box(rotation_deg)
        angle = np.deg2rad(rotation_deg)
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        x, y = turn @ (0.5 * (low + high))
        width, height = high - low
        return (float(x), float(y)), (float(width), float(height))

    def moved(self, shift_mm: FloatArray, *, y_sign: float) -> PadGroup:
        """Return the pads after y is turned by `y_sign` and all is shifted."""
        return PadGroup(
            tuple(
                replace(
                    p,
                    x_mm=p.x_mm + float(shift_mm[0]),
                    y_mm=y_sign * p.y_mm + float(shift_mm[1]),
                    rotation_deg=y_sign * p.rotation_deg,
                )
                for p in self.pads
            )
        )

    def _box(self, rotation_deg: float) -> tuple[FloatArray, FloatArray]:
        """Return the least and most corner of all pads in axes turned by `rotation_deg`."""
        corners = []
        for p in self.pads:
            angle = np.deg2rad(p.rotation_deg)
            c, s = np.cos(angle), np.sin(angle)
            half = 0.5 * np.array([p.width_mm, p.height_mm])
            box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
            corners.append(box @ np.array([[c, s], [-s, c]]) + [p.x_mm, p.y_mm])
        angle = np.deg2rad(rotation_deg)
        c, s = np.cos(angle), np.sin(angle)
        local = np.concatenate(corners) @ np.array([[c, -s], [s, c]])
        return local.min(axis=0), local.max(axis=0)


def group_pads(netlist: Netlist) -> dict[str, PadGroup]:
    """Return reference to pads, vias left out."""
    pads: dict[str, list[Pad]] = {}
    for pad in netlist.pads:
        if pad.ref and not pad.is_via:
            pads.setdefault(pad.ref, []).append(pad)
    return {ref: PadGroup(tuple(p)) for ref, p in pads.items()}


def body_of(
    place: Placement, pads: PadGroup | None, *, kind: Kind, metric: bool
) -> tuple[float, float, float, float]:
    """Return (x, y, width, height) of a part's body in mm, sides along the part's own axes.

    The package's name gives the size at the centroid; without it the pads give size and middle,
    since the centroid of odd parts is an anchor and not their middle; without both, the usual size
    of the kind.
    """
    pitch_mm = pads.pitch_mm if pads is not None else None
    size = body_size_mm(place.package, metric=metric, pitch_mm=pitch_mm)
    if size is None and pads is not None and pitch_mm is not None and kind in _CHIP_KINDS:
        land_width_mm = min(pads.size_mm(place.rotation_deg)[1])
        size = chip_by_pitch_mm(pitch_mm, land_width_mm=land_width_mm)
    if pads is None:
        width, height = size or _USUAL_MM[kind]
        return place.x_mm, place.y_mm, width, height
    (x, y), (pads_width, pads_height) = pads.size_mm(place.rotation_deg)
    if size is None:
        return x, y, max(pads_width, 0.1), max(pads_height, 0.1)
    width, height = size
    # Which way the body lies at rotation 0 differs between libraries; the row of pads tells.
    if pads.pins == 2 and (width - height) * (pads_width - pads_height) < 0:
        width, height = height, width
    return place.x_mm, place.y_mm, width, height
