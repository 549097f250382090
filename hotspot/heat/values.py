"""From a chunk of raw frames to numbers that rise with temperature, for each kind of camera."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.frame import Recording
from hotspot.radiometry import to_celsius


def value_converter(recording: Recording) -> Callable[[NDArray[Any]], NDArray[np.float32]]:
    """Return the function from raw chunks (n, rows, cols[, 3]) to (n, rows, cols) float32.

    °C for radiometric cameras with a scale or a curve, counts without one, display luminance
    0-255 for video.
    """
    profile = recording.profile
    return lambda chunk: to_celsius(chunk, profile)
