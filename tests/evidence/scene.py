"""A small invented board and findings on it, made by hand: no pipeline is needed to draw them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFilter

from hotspot.board import Board, Kind, Part, Rail
from hotspot.finding import CANNOT_TELL, HOT_SPOT, NO_HOT_SPOT, Finding, Spot, Suspect
from hotspot.frame import ArraySource, Recording, Step, SwitchLog
from hotspot.heat.heatmap import FrameCounts, HeatMap, Switching
from hotspot.profile import CameraProfile
from hotspot.register.registration import PlaneMap, Registration

ROWS, COLS = 120, 160
PX_PER_MM = 20.0  # of the photo
WIDTH_MM, HEIGHT_MM = 64.0, 40.0
NO_COV = np.zeros((8, 8))


def make_board(folder: Path) -> Board:
    rng = np.random.default_rng(5)
    parts = [
        Part("U1", Kind.IC, "QFN48", 24, 22, 7, 7, nets=("VSENSE", "GND")),
        Part("U2", Kind.IC, "SO8", 46, 12, 5, 4, nets=("VSENSE", "GND")),
        Part("L1", Kind.INDUCTOR, "4x4", 12, 10, 4, 4, nets=("VSENSE", "SW")),
        Part("J1", Kind.CONNECTOR, "", 60, 22, 5, 14, nets=("VSENSE", "GND")),
    ]
    number = 1
    for row in range(5):
        for col in range(12):
            x, y = 5 + 4.6 * col, 5 + 7.2 * row
            if any(abs(x - p.x_mm) < 5 and abs(y - p.y_mm) < 5.5 for p in parts[:4]):
                continue
            turn = float(rng.choice([0, 90]))
            kind = Kind.CAPACITOR if (row + col) % 3 else Kind.RESISTOR
            letter = "C" if kind is Kind.CAPACITOR else "R"
            nets = ("VSENSE", "GND")
            parts.append(Part(f"{letter}{number}", kind, "0402", x, y, 1.0, 0.5, turn, nets=nets))
            number += 1
    photo = folder / "photo.png"
    draw_photo(tuple(parts), photo)
    corners = np.array([[0, 0], [WIDTH_MM, 0], [WIDTH_MM, HEIGHT_MM], [0, HEIGHT_MM]], float)
    return Board(
        name="Tide gauge",
        parts=tuple(parts),
        rails=(Rail("VSENSE", 3.3, 3.6),),
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        photo=photo,
        photo_landmarks=np.c_[corners, photo_xy(corners)],
        folder=folder,
    )


def photo_from_board() -> PlaneMap:
    # Board y up, photo y down, a margin of 40 px.
    matrix = np.array(
        [[PX_PER_MM, 0, 40.0], [0, -PX_PER_MM, 40 + PX_PER_MM * HEIGHT_MM], [0, 0, 1]]
    )
    return PlaneMap(matrix=matrix, parameter_cov=NO_COV)


def photo_xy(points_mm: np.ndarray) -> np.ndarray:
    return photo_from_board().map(points_mm)


def draw_photo(parts: tuple[Part, ...], path: Path) -> None:
    size = (int(WIDTH_MM * PX_PER_MM) + 80, int(HEIGHT_MM * PX_PER_MM) + 80)
    picture = Image.new("RGB", size, (205, 203, 198))
    pen = ImageDraw.Draw(picture)
    pen.rounded_rectangle((40, 40, size[0] - 40, size[1] - 40), 24, fill=(28, 84, 62))
    rng = np.random.default_rng(2)
    for _ in range(60):
        x, y = rng.uniform(60, size[0] - 60), rng.uniform(60, size[1] - 60)
        if rng.random() < 0.5:
            pen.line((x, y, min(x + 200, size[0] - 60), y), fill=(36, 102, 76), width=4)
        else:
            pen.line((x, y, x, min(y + 160, size[1] - 60)), fill=(36, 102, 76), width=4)
    for part in parts:
        body = [tuple(p) for p in photo_xy(part.corners_mm())]
        fill = {
            Kind.CAPACITOR: (186, 150, 106), Kind.RESISTOR: (40, 40, 44), Kind.IC: (34, 35, 38),
            Kind.INDUCTOR: (92, 92, 96), Kind.CONNECTOR: (222, 218, 206),
        }[part.kind]  # fmt: skip
        pen.polygon(body, fill=fill, outline=(210, 210, 205))
    picture.filter(ImageFilter.GaussianBlur(0.8)).save(path)


def thermal_from_board() -> PlaneMap:
    # The camera looks slightly turned at the whole board: 2.35 thermal px a mm.
    c, s = 2.35 * np.cos(0.03), 2.35 * np.sin(0.03)
    matrix = np.array([[c, s, 3.0], [s, -c, 105.0], [0, 0, 1]])
    return PlaneMap(matrix=matrix, parameter_cov=NO_COV)


def make_registration() -> Registration:
    board_from_thermal = thermal_from_board().inverse()
    return Registration(
        method="landmarks",
        photo_from_thermal=photo_from_board().after(board_from_thermal),
        board_from_thermal=board_from_thermal,
        rms_px=0.42,
    )


def make_recording(*, log: bool = True) -> Recording:
    t = np.arange(900) / 25
    profile = CameraProfile("bench camera 1", COLS, ROWS, netd_mk=45, frame_rate_hz=25)
    injection = SwitchLog(
        np.array([0.0, 6.2]), np.array([False, True]), np.array([0, 0.42]), np.array([0, 1.5])
    )
    return Recording(
        name="2026-11-tide-gauge-07",
        profile=profile,
        t_s=t,
        source=ArraySource(np.zeros((900, ROWS, COLS), np.uint16)),
        injection=injection if log else None,
        rail="VSENSE",
        ambient_c=22.5,
        started="2026-11-20T10:14:00+01:00",
    )


def make_heat(
    *, spots: tuple[tuple[float, float, float], ...], noise_k: float, trace: bool
) -> HeatMap:
    rng = np.random.default_rng(11)
    y, x = np.mgrid[0:ROWS, 0:COLS].astype(float)
    rise = noise_k * rng.standard_normal((ROWS, COLS))
    source = 0.3 * rng.standard_normal((ROWS, COLS))
    for sx, sy, peak in spots:
        r = np.hypot(x - sx, y - sy)
        rise += peak * (0.75 * np.exp(-0.5 * (r / 2.2) ** 2) + 0.25 * np.exp(-r / 12))
        source += 20 * peak * np.exp(-0.5 * (r / 1.3) ** 2)
    cold = 23 + 0.4 * np.sin(x / 17) * np.cos(y / 11)
    for part in make_parts_for_cold():
        px, py = thermal_from_board().map(np.array([part[0], part[1]]))
        cold += part[2] * (np.hypot(x - px, y - py) < part[3])
    valid = np.ones((ROWS, COLS), bool)
    valid[40, 71] = False
    t = np.arange(900) / 25
    fit = (
        np.where(t > 6.2, spots[0][2] * (1 - np.exp(-(np.maximum(t - 6.2, 0)) / 7)), 0)
        if spots
        else 0 * t
    )
    return HeatMap(
        rise_k=rise.astype(np.float32),
        sigma_k=np.full((ROWS, COLS), noise_k, np.float32),
        source=source.astype(np.float32),
        valid=valid,
        cold=cold.astype(np.float32),
        trace_t_s=t if trace else np.zeros(0),
        trace_k=fit + 0.045 * rng.standard_normal(900) if trace else np.zeros(0),
        trace_fit_k=fit if trace else np.zeros(0),
        steps=(Step("drift", (("order", "1"),)),),
    )


def make_parts_for_cold() -> tuple[tuple[float, float, float, float], ...]:
    return ((24, 22, 0.8, 8), (46, 12, 0.6, 6), (12, 10, -0.9, 5), (60, 22, -0.5, 8))


def make_spot(ref: str, board: Board, *, peak_k: float, snr: float, role: str) -> Spot:
    part = board.part(ref)
    assert part is not None
    xy_mm = np.array([part.x_mm + 0.15, part.y_mm - 0.1])
    xy = thermal_from_board().map(xy_mm)
    return Spot(
        xy_px=xy,
        cov_px2=np.array([[0.20, 0.05], [0.05, 0.12]]),
        snr=snr,
        peak_k=peak_k,
        role=role,
        xy_mm=xy_mm,
        cov_mm2=np.array([[0.036, 0.01], [0.01, 0.022]]),
        photo_xy_px=photo_xy(xy_mm),
    )


def make_finding(board: Board, *, fault: str = "C17") -> Finding:
    spot = make_spot(fault, board, peak_k=0.42, snr=61.0, role="fault")
    path = make_spot("L1", board, peak_k=0.11, snr=14.0, role="path")
    neighbours = sorted(
        (p for p in board.parts if p.ref != fault and p.kind is Kind.CAPACITOR),
        key=lambda p: np.hypot(p.x_mm - spot.xy_mm[0], p.y_mm - spot.xy_mm[1]),
    )
    heat = make_heat(spots=((*spot.xy_px, 0.42), (*path.xy_px, 0.11)), noise_k=0.006, trace=True)
    return Finding(
        verdict=HOT_SPOT,
        false_alarm_probability=1.2e-7,
        spots=(spot, path),
        suspects=(
            Suspect(fault, 0.91, 0, "on the rail to ground, 0.2 mm from the spot"),
            Suspect(neighbours[0].ref, 0.045, 0, "on the rail to ground, 4.4 mm from the spot"),
            Suspect("U1", 0.02, 0, "fed by the rail, 6.1 mm from the spot"),
        ),
        registration=make_registration(),
        switching=Switching("log", (6.2,), 6.2, None),
        frames=FrameCounts(900, 861, 22, 17),
        heat=heat,
    )


def make_quiet_finding(board: Board) -> Finding:
    return replace(
        make_finding(board),
        verdict=NO_HOT_SPOT,
        false_alarm_probability=0.31,
        spots=(),
        suspects=(),
        heat=make_heat(spots=(), noise_k=0.006, trace=False),
    )


def make_undecided_finding(board: Board) -> Finding:
    return replace(
        make_quiet_finding(board),
        verdict=CANNOT_TELL,
        false_alarm_probability=1.0,
        registration=Registration(),
        switching=Switching("none"),
        frames=FrameCounts(60, 41, 0, 2, 17),
        warnings=(
            "The board moved in 17 of 60 frames; 41 frames remain, 30 cold ones are needed",
            "No switching of the current was logged and none was found",
        ),
    )


def make_hinted_finding(board: Board) -> Finding:
    """A weak reading that points at a part."""
    sure = make_finding(board)
    return replace(
        make_undecided_finding(board),
        spots=tuple(replace(s, role="unknown") for s in sure.spots[:1]),
        suspects=tuple(replace(s, probability=0.5 * s.probability) for s in sure.suspects),
        warnings=("A weak reading that could be noise: record longer",),
    )
