"""A practice scene: a board, its fault, the current's way, the camera over it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import cv2
import numpy as np

from hotspot.board import Board, Kind, Part
from hotspot.checks import FloatArray, check_at_least
from hotspot.practice.bodies import PartBody, to_part_body
from hotspot.practice.circuit import Circuit, SeriesElement, to_trace_ohm
from hotspot.practice.nuisances import Bump, Draught, WarmHand
from hotspot.practice.plate import PlateSettings
from hotspot.practice.sensor import CameraSettings

# Direct-current resistance of ordinary small parts; the order of magnitude that data sheets of
# 4 mm power inductors, 0603 beads and 1 A fuses give (common practice, no source).
_SERIES_OHM = {Kind.INDUCTOR: 0.045, Kind.BEAD: 0.08, Kind.FUSE: 0.07, Kind.RESISTOR: 0.1}


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """All that decides what the camera will see.

    Attributes
    ----------
    board, rail
        The board and the rail under injection.
    circuit
        Leads, series parts, trace, short.
    plate, bodies, copper
        The board as a plate, its parts as lumps, the copper's factor on conductivity (or None).
    camera
        The camera.
    thermal_from_board, photo_from_board
        (3, 3) homographies from board mm; the second is None without a photo.
    trace_mm
        (n, 2) way of the current over the board, mm.
    ambient_c, surroundings_c
        Room, and what the board mirrors.
    initial_rise_k
        The whole board is this much above the room at the start and cools.
    hands, bumps, draught
        Nuisances.
    """

    board: Board
    rail: str | None
    circuit: Circuit
    plate: PlateSettings
    bodies: tuple[PartBody, ...]
    camera: CameraSettings
    thermal_from_board: FloatArray
    photo_from_board: FloatArray | None = None
    trace_mm: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))
    copper: FloatArray | None = None
    ambient_c: float = 23.0
    surroundings_c: float = 25.0
    initial_rise_k: float = 0.0
    hands: tuple[WarmHand, ...] = ()
    bumps: tuple[Bump, ...] = ()
    draught: Draught | None = None

    def body_index(self, ref: str) -> int:
        """Return the index of a part's body.

        Raises
        ------
        ValueError
            If the board has no such part.
        """
        for index, body in enumerate(self.bodies):
            if body.ref.casefold() == ref.casefold():
                return index
        raise ValueError(f"ref must name a part of the board, got {ref!r}")

    def to_thermal_px(self, points_mm: FloatArray) -> FloatArray:
        """Return thermal px (n, 2) of board points (n, 2) in mm."""
        return map_points(self.thermal_from_board, points_mm)


def build_scene(
    board: Board,
    *,
    rail: str | None = None,
    fault: str | None = None,
    short_ohm: float = 0.1,
    path: tuple[str, ...] = (),
    circuit: Circuit | None = None,
    camera: CameraSettings | None = None,
    plate: PlateSettings | None = None,
    thermal_from_board: FloatArray | None = None,
    copper: FloatArray | None = None,
    lead_ohm: float = 0.12,
    trace_width_mm: float = 0.8,
    ambient_c: float = 23.0,
    surroundings_c: float = 25.0,
    initial_rise_k: float = 0.0,
    hands: tuple[WarmHand, ...] = (),
    bumps: tuple[Bump, ...] = (),
    draught: Draught | None = None,
) -> Scene:
    """Return a scene with one part shorted, or none.

    Parameters
    ----------
    board
        With its outline in mm; parts that do not lie on it are left out.
    rail
        Rail under injection; its `inject_at_mm` is where the current enters.
    fault
        Reference of the shorted part; None: nothing is shorted, the rail is open.
    short_ohm
        Its resistance.
    path
        References of inductors, beads or fuses the current passes on its way.
    circuit
        Replaces the loop that is built from `fault`, `path`, `lead_ohm` and the copper.
    camera, plate
        Replace the ordinary camera and an ordinary plate of the board's outline.
    thermal_from_board
        (3, 3) homography; None: the board fills the picture, slightly turned and tilted.
    copper
        (rows, columns) factor on the plate's conductivity.
    lead_ohm, trace_width_mm
        Leads with clips; width of the rail's copper (35 µm thick unless the board says).
    ambient_c, surroundings_c, initial_rise_k, hands, bumps, draught
        As in `Scene`.

    Raises
    ------
    ValueError
        For a board without an outline in mm, or a reference that it does not have.
    """
    if board.units != "mm" or board.width_mm is None or board.height_mm is None:
        raise ValueError("board must have width_mm and height_mm, in units of mm")
    check_at_least(short_ohm, bound=0.0, name="short_ohm")
    camera = camera or CameraSettings()
    plate = plate or PlateSettings(
        width_mm=board.width_mm,
        height_mm=board.height_mm,
        thickness_mm=board.thickness_mm or 1.6,
        origin_mm=_find_origin(board, board.width_mm, board.height_mm),
    )
    bodies = tuple(
        body for body in (to_part_body(part) for part in board.parts) if body.coverage(plate).any()
    )
    way = [_part(board, ref) for ref in (*path, *([fault] if fault else []))]
    known = board.rail(rail) if rail else None
    start = known.inject_at_mm if known else None
    trace_mm = _route(([start] if start else []) + [(p.x_mm, p.y_mm) for p in way])
    if circuit is None:
        length_mm = float(np.hypot(*np.diff(trace_mm, axis=0).T).sum()) if len(way) else 0.0
        series = [_part(board, ref) for ref in path]
        circuit = Circuit(
            lead_ohm=lead_ohm,
            series=tuple(SeriesElement(p.ref, _SERIES_OHM.get(p.kind, 0.02)) for p in series),
            trace_ohm=to_trace_ohm(
                length_mm, width_mm=trace_width_mm, copper_um=board.copper_um or 35.0
            ),
            short_ref=_part(board, fault).ref if fault else None,
            short_ohm=short_ohm if fault else math.inf,
            load_ohm=(known.healthy_ohm if known else None) or math.inf,
        )
    return Scene(
        board=board,
        rail=rail,
        circuit=circuit,
        plate=plate,
        bodies=bodies,
        camera=camera,
        thermal_from_board=(
            fit_thermal_from_board(
                board.width_mm, board.height_mm, shape=camera.shape, origin_mm=plate.origin_mm
            )
            if thermal_from_board is None
            else np.asarray(thermal_from_board, dtype=np.float64)
        ),
        photo_from_board=_photo_from_board(board),
        trace_mm=trace_mm,
        copper=copper,
        ambient_c=ambient_c,
        surroundings_c=surroundings_c,
        initial_rise_k=initial_rise_k,
        hands=hands,
        bumps=bumps,
        draught=draught,
    )


def fit_thermal_from_board(
    width_mm: float,
    height_mm: float,
    *,
    shape: tuple[int, int],
    origin_mm: tuple[float, float] = (0.0, 0.0),
    margin_px: float = 4.0,
    turn_deg: float = 2.0,
    tilt: float = 0.03,
) -> FloatArray:
    """Return a homography that shows the whole board, y up, in a camera of `shape`.

    Parameters
    ----------
    width_mm, height_mm
        Board outline.
    shape
        (rows, cols) of the camera.
    origin_mm
        Lower left corner of the board.
    margin_px
        Free edge around the board.
    turn_deg
        Turn of the board in the picture.
    tilt
        How much the far edge shrinks, as a share: the camera does not look straight down.
    """
    rows, cols = shape
    box = np.array([[0, 0], [width_mm, 0], [width_mm, height_mm], [0, height_mm]])
    middle = 0.5 * np.array([width_mm, height_mm])
    angle = np.deg2rad(turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    corners = (box - middle) * [1.0, -1.0] @ turn.T
    corners[2:] *= 1.0 - tilt
    scale = min(
        (cols - 1 - 2 * margin_px) / np.ptp(corners[:, 0]),
        (rows - 1 - 2 * margin_px) / np.ptp(corners[:, 1]),
    )
    corners *= scale
    corners += 0.5 * np.array([cols - 1, rows - 1]) - 0.5 * (
        corners.min(axis=0) + corners.max(axis=0)
    )
    out: FloatArray = cv2.getPerspectiveTransform(
        (box + origin_mm).astype(np.float32), corners.astype(np.float32)
    ).astype(np.float64)
    return out


def map_points(matrix: FloatArray, points: FloatArray) -> FloatArray:
    """Return points (n, 2) mapped by a (3, 3) homography."""
    flat = np.atleast_2d(np.asarray(points, dtype=np.float64))
    mapped = np.c_[flat, np.ones(len(flat))] @ matrix.T
    out: FloatArray = mapped[:, :2] / mapped[:, 2:]
    return out


def _find_origin(board: Board, width_mm: float, height_mm: float) -> tuple[float, float]:
    """Lower left corner: (0, 0) where all parts then lie on the board, else around the parts.

    Design files count from a corner, from the middle or from somewhere on the sheet.
    """
    if not board.parts:
        return 0.0, 0.0
    places = np.array([(p.x_mm, p.y_mm) for p in board.parts])
    low, high = places.min(axis=0), places.max(axis=0)
    if (low >= 0).all() and (high <= [width_mm, height_mm]).all():
        return 0.0, 0.0
    corner = 0.5 * (low + high) - 0.5 * np.array([width_mm, height_mm])
    return float(corner[0]), float(corner[1])


def _part(board: Board, ref: str) -> Part:
    part = board.part(ref)
    if part is None:
        raise ValueError(f"ref must name a part of the board, got {ref!r}")
    return part


def _route(stops: list[tuple[float, float]]) -> FloatArray:
    """Way from stop to stop along the board's axes, as copper runs."""
    way: list[tuple[float, float]] = []
    for stop in stops:
        if way:
            way.append((stop[0], way[-1][1]))
        way.append(stop)
    return np.array(way, dtype=np.float64).reshape(-1, 2)


def _photo_from_board(board: Board) -> FloatArray | None:
    marks = board.photo_landmarks
    if len(marks) < 4:
        return None
    matrix, _ = cv2.findHomography(marks[:, :2], marks[:, 2:], 0)
    return None if matrix is None else np.asarray(matrix, dtype=np.float64)
