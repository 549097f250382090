"""What the heat is drawn on: the board photo where it is registered, else the cold picture."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.board import Board
from hotspot.checks import FloatArray
from hotspot.evidence.photos import load_pixels
from hotspot.finding import Finding
from hotspot.register.registration import PlaneMap

# Longest side of the backdrop in px: more than the sheet shows, little enough to draw fast.
_LONGEST_PX = 1800


@dataclass(frozen=True, slots=True, eq=False)
class Backdrop:
    """A picture to draw on, and how the rest lies on it.

    Attributes
    ----------
    pixels
        (rows, cols, 3) uint8 RGB, in muted colours: colour is the heat's.
    picture_from_thermal
        Thermal px to picture px.
    outlines
        Reference of a part to the (4, 2) corners of its body in picture px.
    px_per_mm
        Picture px per board mm near the middle, or None when no scale is known.
    px_per_thermal
        Picture px per thermal px near the middle.
    is_photo
        Whether it is the board photo.
    """

    pixels: NDArray[np.uint8]
    picture_from_thermal: PlaneMap
    outlines: dict[str, FloatArray]
    px_per_mm: float | None
    px_per_thermal: float
    is_photo: bool

    def place(self, thermal_xy: FloatArray) -> FloatArray:
        """Return points (n, 2) or (2,) of the thermal frame in picture px."""
        return self.picture_from_thermal.map(thermal_xy)


def build_backdrop(finding: Finding, *, board: Board | None) -> Backdrop:
    """Return the backdrop for a finding.

    Raises
    ------
    BoardError
        If the board's photo cannot be read.
    """
    registration = finding.registration
    if board is not None and board.photo is not None and registration.photo_from_thermal:
        return _photo_backdrop(finding, board, registration.photo_from_thermal)
    return _thermal_backdrop(finding, board)


def _photo_backdrop(finding: Finding, board: Board, photo_from_thermal: PlaneMap) -> Backdrop:
    pixels = load_pixels(Path(str(board.photo)), where=str(board.photo))
    rows, cols = pixels.shape[:2]
    x0, y0, x1, y1 = _window(photo_from_thermal.map(_frame_corners(finding)), rows, cols)
    pixels = pixels[y0:y1, x0:x1]
    factor = min(1.0, _LONGEST_PX / max(pixels.shape))
    if factor < 1:
        size = (round(pixels.shape[1] * factor), round(pixels.shape[0] * factor))
        pixels = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    picture_from_photo = _zoom(factor) @ np.array([[1.0, 0, -x0], [0, 1.0, -y0], [0, 0, 1.0]])
    outlines: dict[str, FloatArray] = {}
    px_per_mm = None
    board_from_thermal = finding.registration.board_from_thermal
    if board_from_thermal is not None:
        photo_from_board = photo_from_thermal.after(board_from_thermal.inverse())
        picture_from_board = _exact(picture_from_photo).after(photo_from_board)
        outlines = _outlines(board, picture_from_board)
        if board.units == "mm":
            px_per_mm = _scale(picture_from_board, board_from_thermal, finding)
    picture_from_thermal = _exact(picture_from_photo).after(
        replace(photo_from_thermal, parameter_cov=np.zeros((8, 8)))
    )
    return Backdrop(
        pixels=_mute(pixels),
        picture_from_thermal=picture_from_thermal,
        outlines=outlines,
        px_per_mm=px_per_mm,
        px_per_thermal=_zoom_at(picture_from_thermal, _frame_corners(finding).mean(axis=0)),
        is_photo=True,
    )


def _thermal_backdrop(finding: Finding, board: Board | None) -> Backdrop:
    cold = np.where(finding.heat.valid & np.isfinite(finding.heat.cold), finding.heat.cold, np.nan)
    filled = np.where(np.isfinite(cold), cold, np.nanmedian(cold) if np.isfinite(cold).any() else 0)
    low, high = np.percentile(filled, [1, 99])
    span = max(float(high - low), 1e-9)
    # A quiet range: the heat, not the backdrop, should draw the eye.
    grey = np.clip((filled - low) / span, 0, 1) * 170 + 50
    factor = max(1.0, _LONGEST_PX / 1.5 / max(grey.shape))
    rows, cols = grey.shape
    size = (round(cols * factor), round(rows * factor))
    large = cv2.resize(grey.astype(np.float32), size, interpolation=cv2.INTER_CUBIC)
    picture_from_thermal = _exact(
        np.array(
            [
                [size[0] / cols, 0, 0.5 * size[0] / cols - 0.5],
                [0, size[1] / rows, 0.5 * size[1] / rows - 0.5],
                [0, 0, 1.0],
            ]
        )
    )
    outlines: dict[str, FloatArray] = {}
    px_per_mm = None
    board_from_thermal = finding.registration.board_from_thermal
    if board is not None and board_from_thermal is not None:
        # The scales along the two sides differ by rounding alone: one for both, for the lens.
        even = _exact(_zoom(size[0] / cols))
        picture_from_board = even.after(board_from_thermal.inverse())
        outlines = _outlines(board, picture_from_board)
        if board.units == "mm":
            px_per_mm = _scale(picture_from_board, board_from_thermal, finding)
    return Backdrop(
        pixels=np.repeat(np.clip(large, 0, 255).astype(np.uint8)[..., None], 3, axis=2),
        picture_from_thermal=picture_from_thermal,
        outlines=outlines,
        px_per_mm=px_per_mm,
        px_per_thermal=size[0] / cols,
        is_photo=False,
    )


def _frame_corners(finding: Finding) -> FloatArray:
    rows, cols = finding.heat.rise_k.shape
    return np.array(
        [[-0.5, -0.5], [cols - 0.5, -0.5], [cols - 0.5, rows - 0.5], [-0.5, rows - 0.5]]
    )


def _window(corners: FloatArray, rows: int, cols: int) -> tuple[int, int, int, int]:
    """Return the part of the photo that the camera saw, with a little air around it."""
    low, high = corners.min(axis=0), corners.max(axis=0)
    air = 0.03 * (high - low)
    x0, y0 = np.maximum(np.floor(low - air), 0).astype(int)
    x1 = min(int(np.ceil(high[0] + air[0])), cols)
    y1 = min(int(np.ceil(high[1] + air[1])), rows)
    if x1 - x0 < 16 or y1 - y0 < 16:  # a registration gone astray: show the whole photo
        return 0, 0, cols, rows
    return int(x0), int(y0), x1, y1


def _zoom(factor: float) -> FloatArray:
    shift = 0.5 * factor - 0.5  # pixel centres stay pixel centres
    return np.array([[factor, 0, shift], [0, factor, shift], [0, 0, 1.0]])


def _exact(matrix: FloatArray) -> PlaneMap:
    return PlaneMap(matrix=matrix, parameter_cov=np.zeros((8, 8)))


def _outlines(board: Board, picture_from_board: PlaneMap) -> dict[str, FloatArray]:
    return {part.ref: picture_from_board.map(part.corners_mm()) for part in board.parts}


def _scale(
    picture_from_board: PlaneMap, board_from_thermal: PlaneMap, finding: Finding
) -> float | None:
    scale = _zoom_at(
        picture_from_board, board_from_thermal.map(_frame_corners(finding).mean(axis=0))
    )
    return scale if np.isfinite(scale) and scale > 0 else None


def _zoom_at(plane: PlaneMap, point: FloatArray) -> float:
    """Return the linear magnification of a map at a point: the root of its area ratio."""
    return float(np.sqrt(abs(np.linalg.det(plane.jacobian(point)))))


def _mute(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the photo in muted, evenly lit colours, so that strong colour means heat alone."""
    values = pixels.astype(np.float32)
    grey = values @ np.array([0.299, 0.587, 0.114], dtype=np.float32)  # Rec. 601 luma
    low, high = np.percentile(grey, [1, 99])
    values = 0.55 * grey[..., None] + 0.45 * values
    values = np.clip((values - low) / max(float(high - low), 1.0), 0, 1)
    # A dark board swallows marks and heat alike: lift the middle tone to about 0.42.
    middle = float(np.clip(np.median(values), 0.05, 0.95))
    gamma = float(np.clip(np.log(0.42) / np.log(middle), 0.45, 1.3))
    out: NDArray[np.uint8] = (np.power(values, gamma) * 225 + 18).astype(np.uint8)
    return out
