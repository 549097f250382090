"""From a chunk of raw frames to numbers that rise with temperature, for each kind of camera."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.frame import Recording
from hotspot.heat.palette import PaletteReader, find_palette
from hotspot.profile import Values
from hotspot.radiometry import to_celsius

# Frames that an uncommon colour map is found from, and as many more as there are of small ones for
# this many pixels: the few of a hot spot show every colour on the way to its warm end.
PALETTE_FRAMES, PALETTE_PIXELS = 48, 6_000_000


def value_converter(recording: Recording) -> Callable[[NDArray[Any]], NDArray[np.float32]]:
    """Return the function from raw chunks (n, rows, cols[, 3]) to (n, rows, cols) float32.

    °C for radiometric cameras with a scale or a curve, counts without one, display levels 0-255
    for grey video, and the place along the colour map (0-255) for false-colour video, whose map
    is found from the first frames, or where it is no common one from frames all through the
    recording, for its warm end may only show late (a `PaletteReader` is returned, which names it).
    Display levels carry no kelvin.
    """
    profile = recording.profile
    if profile.values is Values.PALETTE8 and len(recording.source.shape) == 3:
        first = next(iter(recording.source.chunks(16)), None)
        if first is not None:
            palette = find_palette(first)
            if not palette.certain:
                palette = find_palette(_spread_frames(recording))
            return PaletteReader(palette)
    return lambda chunk: to_celsius(chunk, profile)


def _spread_frames(recording: Recording) -> NDArray[Any]:
    """Return frames from all through a recording."""
    profile = recording.profile
    frames = max(PALETTE_FRAMES, PALETTE_PIXELS // (profile.width * profile.height))
    step = max(1, len(recording.source) // frames)
    kept, seen = [], 0
    for chunk in recording.source.chunks(64):
        kept.append(chunk[-seen % step :: step].copy())
        seen += len(chunk)
    return np.concatenate(kept)
