"""What of a live camera's pictures says nothing: copies, shutter events, bad pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotspot.heat.audit import FrameAudit
from hotspot.heat.badpixels import PixelStatistics, find_flickering

# Differences judged at a time, two seconds' worth: with fewer the test of noisy pixels accuses good
# ones (see `hotspot.heat.badpixels`). 84 MB at 640 x 512, 13 MB at 256 x 192.
CHUNK = 64


@dataclass(frozen=True, slots=True)
class Spoilt:
    """What the camera gave that says nothing.

    Attributes
    ----------
    frames
        Frames looked at.
    repeated, shutter
        Of these, copies of the frame before, and frames around a shutter event.
    bad_pixels
        Pixels that are dead, blinking, far off, without values, or bad by the camera's profile.
    """

    frames: int
    repeated: int
    shutter: int
    bad_pixels: int


class BlinkWatch:
    """Looks for blinking and noisy pixels, frame by frame, as the analysis of a recording does.

    Parameters
    ----------
    shape
        (rows, cols).
    """

    def __init__(self, shape: tuple[int, int]) -> None:
        self._statistics = PixelStatistics.build(shape)
        self._steps = np.empty((CHUNK, *shape), np.float32)
        self._level: list[float] = []
        self._previous: NDArray[np.float32] | None = None

    def add(self, values: NDArray[np.float32]) -> None:
        """Take one frame, (rows, cols); holes count as no change."""
        before, self._previous = self._previous, values
        if before is None:
            return
        step = self._steps[len(self._level)]
        np.subtract(values, before, out=step)
        np.nan_to_num(step, copy=False, nan=0.0)
        if not step.any():
            return  # a copy is no second look
        # What the whole picture does is drift; every seventh pixel is enough to see it.
        step -= np.float32(np.median(step.reshape(-1)[::7]))
        self._level.append(float(np.median(np.square(step.reshape(-1)[::7]))))
        if len(self._level) == CHUNK:
            self._statistics.add(self._steps, np.arange(CHUNK), np.array(self._level))
            self._level = []

    def found(self) -> NDArray[np.bool_]:
        """Return the (rows, cols) mask of pixels that blink."""
        return find_flickering(self._statistics)


def count_spoilt(audit: FrameAudit, *, blinking: NDArray[np.bool_]) -> Spoilt:
    """Return what was found.

    Parameters
    ----------
    audit
        Of the frames.
    blinking
        (rows, cols) pixels that blink.
    """
    return Spoilt(
        frames=len(audit.used),
        repeated=int(np.count_nonzero(audit.repeated)),
        shutter=int(np.count_nonzero(audit.shutter)),
        bad_pixels=int(np.count_nonzero(audit.bad | blinking)),
    )
