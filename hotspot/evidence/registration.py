"""Picture of a registration: the thermal picture's edges over the photo."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.board import Board
from hotspot.errors import InputError
from hotspot.evidence.photos import load_pixels
from hotspot.register.edges import find_edges, to_thermal_picture
from hotspot.register.registration import PlaneMap
from hotspot.register.warp import warp_picture

_LONGEST_PX = 1400
# Told apart with red-green weakness as well: orange edges, blue clicks, pink wrong ones.
_EDGE, _CLICK, _WRONG = (255, 150, 30), (60, 170, 255), (255, 70, 200)


def load_photo(board: Board) -> NDArray[np.uint8]:
    """Return the board's photo, (rows, cols, 3) uint8 RGB.

    Raises
    ------
    BoardError
        If it cannot be read.
    """
    return load_pixels(Path(str(board.photo)), where=str(board.photo))


def draw_registration(
    photo: NDArray[np.uint8],
    cold: NDArray[Any],
    photo_from_thermal: PlaneMap,
    *,
    landmarks: NDArray[Any] | None = None,
) -> NDArray[np.uint8]:
    """Return the photo, muted, with the thermal edges, the thermal frame and the clicks on it.

    Parameters
    ----------
    photo
        (rows, cols, 3) uint8 RGB.
    cold
        (rows, cols) baseline.
    photo_from_thermal
        The map.
    landmarks
        (n, 4) thermal x, y, photo x, y: drawn as circles where clicked on the photo, with a line to
        where the map puts the thermal click, ten times as long as it is.

    Returns
    -------
    numpy.ndarray
        (rows, cols, 3) uint8 RGB, at most 1400 px long.
    """
    factor = min(1.0, _LONGEST_PX / max(photo.shape[:2]))
    size = (max(1, round(photo.shape[1] * factor)), max(1, round(photo.shape[0] * factor)))
    small = cv2.resize(photo, size, interpolation=cv2.INTER_AREA)
    grey = cv2.cvtColor(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), cv2.COLOR_GRAY2RGB)
    canvas = (0.5 * grey + 0.2 * small).astype(np.float32)
    to_canvas = np.array(
        [[factor, 0, 0.5 * factor - 0.5], [0, factor, 0.5 * factor - 0.5], [0, 0, 1.0]]
    )
    plane = PlaneMap(to_canvas, np.zeros((8, 8))).after(photo_from_thermal)
    field = find_edges(to_thermal_picture(cold), blur_px=1.0)
    strength = np.hypot(field[..., 0], field[..., 1])
    strength = np.clip(strength / max(float(np.percentile(strength, 99)), 1e-9), 0, 1)
    warped: NDArray[Any] = (
        warp_picture(strength.astype(np.float32), plane, size=size)[..., None] ** 1.5
    )
    canvas = canvas * (1 - 0.9 * warped) + np.array(_EDGE, np.float32) * 0.9 * warped
    out: NDArray[np.uint8] = np.clip(canvas, 0, 255).astype(np.uint8)
    rows, cols = cold.shape
    frame = np.array(
        [[-0.5, -0.5], [cols - 0.5, -0.5], [cols - 0.5, rows - 0.5], [-0.5, rows - 0.5]]
    )
    sides = [a + (b - a) * np.linspace(0, 1, 16)[:, None] for a, b in pairwise([*frame, frame[0]])]
    corners = np.clip(plane.map(np.concatenate(sides)), -30_000, 30_000)[:, None]
    cv2.polylines(out, [np.round(corners).astype(np.int32)], True, _EDGE, 2, cv2.LINE_AA)
    for i, (tx, ty, px, py) in enumerate(landmarks if landmarks is not None else ()):
        colour = _WRONG if i in photo_from_thermal.outliers else _CLICK
        clicked = cv2.perspectiveTransform(np.array([[[px, py]]], np.float64), to_canvas)[0, 0]
        mapped = plane.map(np.array([tx, ty]))
        end = clicked + 10 * (mapped - clicked)
        at = (round(float(clicked[0])), round(float(clicked[1])))
        cv2.circle(out, at, 9, colour, 2, cv2.LINE_AA)
        cv2.line(out, at, (round(float(end[0])), round(float(end[1]))), colour, 1, cv2.LINE_AA)
        place = (min(at[0] + 11, size[0] - 24), max(at[1] - 8, 18))
        cv2.putText(out, str(i + 1), place, cv2.FONT_HERSHEY_SIMPLEX, 0.6, colour, 2, cv2.LINE_AA)
    return out


def save_png(picture: NDArray[np.uint8], path: Path) -> None:
    """Write a (rows, cols, 3) RGB picture as PNG, whole or not at all.

    Raises
    ------
    InputError
        If the name is of another format, or it cannot be written.
    """
    if path.suffix.lower() != ".png":
        raise InputError("the picture is a PNG", where=str(path), cure="Give a name in .png")
    encoded = cv2.imencode(".png", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR))[1]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        partial = path.with_name(f".{path.name}.part")
        partial.write_bytes(encoded.tobytes())
        partial.replace(path)
    except OSError as err:
        raise InputError(f"cannot be written ({err.strerror or err})", where=str(path)) from err
