"""Picture of a pairing: touches on the thermal picture beside clicks on the photo."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.register.edges import to_thermal_picture
from hotspot.register.registration import PlaneMap
from hotspot.register.touch import TouchEvent
from hotspot.register.touch_pairs import Pairing

_SIDE_PX = 900  # width of either half
# Told apart with red-green weakness as well: blue pairs, pink without a partner, orange mapped.
_PAIR, _ALONE, _MAPPED = (60, 170, 255), (255, 70, 200), (255, 150, 30)
_FONT = cv2.FONT_HERSHEY_SIMPLEX


def draw_touches(
    picture: NDArray[np.float32],
    photo: NDArray[np.uint8] | None,
    *,
    touches: Sequence[TouchEvent],
    clicks: FloatArray,
    pairing: Pairing,
    photo_from_thermal: PlaneMap | None,
) -> NDArray[np.uint8]:
    """Return the thermal picture and the photo side by side, pairs under one number.

    Parameters
    ----------
    picture
        (rows, cols) baseline.
    photo
        (rows, cols, 3) uint8 RGB; without one the clicks are drawn on a plain ground.
    touches, clicks, pairing
        As found, clicked (n, 2) and paired.
    photo_from_thermal
        Puts a cross where the map takes each touch on the photo; None leaves it out.
    """
    grey = to_thermal_picture(picture)
    low, high = float(grey.min()), float(grey.max())
    levels = np.clip((grey - low) / max(high - low, 1e-9) * 200 + 20, 0, 255).astype(np.uint8)
    left, zoom_left = _fitted(cv2.cvtColor(levels, cv2.COLOR_GRAY2RGB))
    if photo is None:
        size = np.ceil(clicks.max(axis=0)).astype(int) + 40
        photo = np.full((max(40, int(size[1])), max(40, int(size[0])), 3), 70, np.uint8)
    muted = cv2.cvtColor(cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY), cv2.COLOR_GRAY2RGB)
    right, zoom_right = _fitted((0.6 * muted + 0.15 * photo).astype(np.uint8))
    partner = dict(zip(pairing.touches, pairing.clicks, strict=True))
    for i, touch in enumerate(touches):
        number = partner.get(i)
        text = f"{touch.t_s:.1f} s" if number is None else f"{number + 1}  {touch.t_s:.1f} s"
        _ring(left, touch.xy_px, zoom_left, text, _ALONE if number is None else _PAIR)
        if number is not None and photo_from_thermal is not None:
            _cross(right, photo_from_thermal.map(touch.xy_px), zoom_right)
    for k, click in enumerate(clicks):
        paired = k in pairing.clicks
        _ring(right, click, zoom_right, str(k + 1), _PAIR if paired else _ALONE)
    rows = max(left.shape[0], right.shape[0])
    out = np.zeros((rows, left.shape[1] + right.shape[1] + 12, 3), np.uint8)
    out[: left.shape[0], : left.shape[1]] = left
    out[: right.shape[0], left.shape[1] + 12 :] = right
    return out


def _fitted(picture: NDArray[Any]) -> tuple[NDArray[np.uint8], float]:
    zoom = _SIDE_PX / picture.shape[1]
    size = (_SIDE_PX, max(1, round(picture.shape[0] * zoom)))
    way = cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(picture, size, interpolation=way), dtype=np.uint8), zoom


def _at(point: FloatArray, zoom: float) -> tuple[int, int]:
    x, y = (np.asarray(point) + 0.5) * zoom - 0.5
    return round(float(np.clip(x, -9999, 9999))), round(float(np.clip(y, -9999, 9999)))


def _ring(
    picture: NDArray[np.uint8],
    point: FloatArray,
    zoom: float,
    text: str,
    colour: tuple[int, int, int],
) -> None:
    x, y = _at(point, zoom)
    cv2.circle(picture, (x, y), 10, colour, 2, cv2.LINE_AA)
    place = (min(x + 13, picture.shape[1] - 90), max(y - 9, 18))
    cv2.putText(picture, text, place, _FONT, 0.6, (0, 0, 0), 4, cv2.LINE_AA)
    cv2.putText(picture, text, place, _FONT, 0.6, colour, 2, cv2.LINE_AA)


def _cross(picture: NDArray[np.uint8], point: FloatArray, zoom: float) -> None:
    cv2.drawMarker(picture, _at(point, zoom), _MAPPED, cv2.MARKER_TILTED_CROSS, 14, 2, cv2.LINE_AA)
