"""From a live camera's frames to numbers that rise with temperature, as a recording's are read."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.heat.palette import PaletteReader, find_palette
from hotspot.profile import CameraProfile, Values
from hotspot.radiometry import to_celsius

# As many frames as a recording's colour map is found from (`hotspot.heat.values`).
PALETTE_FRAMES = 16


class LiveValues:
    """Turns frames into (rows, cols) float32 values without holes.

    The colour map of false-colour video is found from the first `PALETTE_FRAMES` frames; until then
    its brightness is shown.

    Parameters
    ----------
    profile
        What the camera's numbers mean.

    Attributes
    ----------
    note
        Which colour map is read, one sentence; empty for other cameras.
    """

    def __init__(self, profile: CameraProfile) -> None:
        self._profile = profile
        self._first: list[NDArray[np.uint8]] = []
        self._reader: PaletteReader | None = None
        self._is_palette = profile.values is Values.PALETTE8
        self.note = ""

    @property
    def is_ready(self) -> bool:
        """Whether values will keep their meaning from now on."""
        return not self._is_palette or self._reader is not None

    @property
    def are_counts(self) -> bool:
        """Whether the counts alone say it all: `hotspot.radiometry.to_celsius` gives the values."""
        return not self._is_palette

    def of(self, counts: NDArray[Any]) -> NDArray[np.float32]:
        """Return the values of one frame; a hole gets the picture's median."""
        if self._is_palette and counts.ndim == 3:
            return self._read_colours(counts)
        values = to_celsius(counts, self._profile)
        if np.isfinite(values.sum()):
            return values
        # Holes would blind everything that averages.
        filled: NDArray[np.float32] = np.nan_to_num(values, nan=float(np.nanmedian(values)))
        return filled

    def _read_colours(self, rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
        if self._reader is None:
            self._first.append(rgb)
            if len(self._first) < PALETTE_FRAMES:
                return to_celsius(rgb, self._profile)
            palette = find_palette(np.stack(self._first))
            self._first = []
            self._reader, self.note = PaletteReader(palette), palette.note
        values: NDArray[np.float32] = self._reader(rgb[None])[0]
        return values
