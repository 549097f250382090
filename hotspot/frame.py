"""Pictures in time.

Conventions, said once for the whole project: points are (x, y) in pixels, x right, y down, with
the origin at the centre of pixel (0, 0); arrays are indexed ``[row, column]`` = ``[y, x]``.
Times are seconds from the first frame.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.profile import CameraProfile


@dataclass(frozen=True, slots=True, eq=False)
class RawFrame:
    """One frame as the camera gave it.

    Attributes
    ----------
    counts
        (rows, cols) uint8, uint16 or float32, or (rows, cols, 3) uint8 RGB for palette video.
    t_s
        Time in s from the first frame.
    index
        Running number.
    """

    counts: NDArray[Any]
    t_s: float
    index: int


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One frame in °C, or in relative units where the camera has no absolute scale.

    Attributes
    ----------
    values
        (rows, cols) float32.
    t_s, index
        As in `RawFrame`.
    """

    values: NDArray[np.float32]
    t_s: float
    index: int


class FrameSource(Protocol):
    """Frames in order, readable again from the start, never all in memory at once."""

    @property
    def shape(self) -> tuple[int, ...]:
        """(rows, cols) or (rows, cols, 3)."""

    def __len__(self) -> int:
        """Return the number of frames."""

    def chunks(self, size: int = 64) -> Iterator[NDArray[Any]]:
        """Yield arrays (n, rows, cols[, 3]) of at most `size` frames, in order, raw dtype."""


@dataclass(frozen=True, slots=True, eq=False)
class ArraySource:
    """Frames that are already in memory (tests, practice, a short live buffer)."""

    frames: NDArray[Any]

    @property
    def shape(self) -> tuple[int, ...]:
        """(rows, cols) or (rows, cols, 3)."""
        return tuple(int(n) for n in self.frames.shape[1:])

    def __len__(self) -> int:
        """Return the number of frames."""
        return int(self.frames.shape[0])

    def chunks(self, size: int = 64) -> Iterator[NDArray[Any]]:
        """Yield arrays of at most `size` frames, in order."""
        for first in range(0, len(self), size):
            yield self.frames[first : first + size]


@dataclass(frozen=True, slots=True, eq=False)
class SwitchLog:
    """The injection as logged: each entry holds from its time until the next.

    Attributes
    ----------
    t_s
        (n,) float64, increasing.
    on
        (n,) bool, supply output on.
    volts, amps
        (n,) float64, NaN where not logged.
    """

    t_s: FloatArray
    on: NDArray[np.bool_]
    volts: FloatArray
    amps: FloatArray


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the way from frames to finding, with its settings, for the record."""

    name: str
    settings: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """A recording and all that was noted with it.

    Attributes
    ----------
    name
        Folder name or title, for messages.
    profile
        The camera.
    t_s
        (n,) float64 time of each frame, s from the first; irregular spacing allowed.
    source
        The frames.
    injection
        The log, or None when the output was switched by hand without one.
    landmarks
        (n, 4) float64 rows thermal x, thermal y, photo x, photo y in px; (0, 4) when there are
        none.
    board
        Path of the board pack as written in the recording, resolved against its folder; None if
        not named.
    rail
        Name of the rail under injection, if noted.
    ambient_c
        Room temperature in °C, if noted.
    started
        RFC 3339 time of the first frame, if noted.
    complete
        Whether the recorder closed it in order.
    resumed_s
        Times from which the camera was back after it had been unplugged, s; per-pixel offsets may
        be others from there on.
    note
        Free text.
    warnings
        What the reader had to put up with, one sentence each.
    """

    name: str
    profile: CameraProfile
    t_s: FloatArray
    source: FrameSource
    injection: SwitchLog | None = None
    landmarks: FloatArray = field(default_factory=lambda: np.zeros((0, 4)))
    board: str | None = None
    rail: str | None = None
    ambient_c: float | None = None
    started: str | None = None
    complete: bool = True
    resumed_s: tuple[float, ...] = ()
    note: str = ""
    warnings: tuple[str, ...] = ()
