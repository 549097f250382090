"""Colour maps for heat: even in lightness, and told apart by colour-blind eyes."""

from __future__ import annotations

import base64
import functools
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

# Perceptually even maps; cividis was made for colour-blind eyes (Nuñez, Anderton, Renslow 2018).
MAPS = {
    "inferno": cv2.COLORMAP_INFERNO,
    "cividis": cv2.COLORMAP_CIVIDIS,
    "grey": cv2.COLORMAP_BONE,
}


@functools.cache
def colour_table(name: str) -> NDArray[np.uint8]:
    """Return (256, 3) uint8 RGB of a map."""
    ramp = np.arange(256, dtype=np.uint8)[None]
    bgr: NDArray[np.uint8] = cv2.applyColorMap(ramp, MAPS[name]).astype(np.uint8)[0]
    return np.ascontiguousarray(bgr[:, ::-1])


def to_base64(name: str) -> str:
    """Return a map as the live view reads it."""
    return base64.b64encode(colour_table(name).tobytes()).decode()


def to_rgb(picture: NDArray[Any], *, low: float, high: float, name: str) -> NDArray[np.uint8]:
    """Return (rows, cols, 3) uint8 of a picture, `low` to `high` over the whole map."""
    span = max(high - low, 1e-9)
    index = np.clip((np.nan_to_num(picture) - low) * (255.0 / span), 0, 255).astype(np.uint8)
    out: NDArray[np.uint8] = colour_table(name)[index]
    return out
