"""A capture of OpenCV, read in a thread of its own.

OpenCV waits for a camera as long as the system likes, ten seconds and more. Here a thread waits,
and whoever wants a frame waits for a time of their own. Frames carry the time at which they came.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any, Protocol

import cv2
from numpy.typing import NDArray

# Frames that wait for whoever reads: more would only be old.
WAITING = 8
# A network camera that is silent for this long is treated as gone.
OPEN_MS, READ_MS = 4000, 3000


class Capture(Protocol):
    """What `cv2.VideoCapture` gives."""

    def isOpened(self) -> bool:  # noqa: N802 (OpenCV's name)
        """Return whether it is open."""

    def read(self) -> tuple[bool, Any]:
        """Return whether there is a picture, and the picture."""

    def release(self) -> None:
        """Let go of it."""


class Grabber:
    """Reads a capture until it ends or is closed.

    Parameters
    ----------
    capture
        An open capture; from now on only this object's thread touches it.
    clock
        Time in s.

    Attributes
    ----------
    dropped
        Frames that nobody fetched in time.
    """

    def __init__(self, capture: Capture, *, clock: Callable[[], float] = time.monotonic) -> None:
        self.dropped = 0
        self._capture, self._clock = capture, clock
        self._frames: deque[tuple[NDArray[Any], float]] = deque()
        self._changed = threading.Condition()
        self._closed = self._ended = False
        self._thread = threading.Thread(target=self._run, name="capture", daemon=True)
        self._thread.start()

    def take(self, *, timeout_s: float) -> tuple[NDArray[Any], float] | None:
        """Return the next picture as OpenCV gave it, and when it came; None when none comes."""
        with self._changed:
            self._changed.wait_for(lambda: self._frames or self._ended, timeout=timeout_s)
            return self._frames.popleft() if self._frames else None

    @property
    def has_ended(self) -> bool:
        """Whether the camera gives no more pictures, rather than none just now."""
        return self._ended

    def close(self) -> None:
        """Let go of the camera as soon as it can be; a driver that hangs is not waited for."""
        self._closed = True
        self._thread.join(timeout=1.0)

    def _run(self) -> None:
        # Released by the thread that reads: under a running read a release can crash.
        try:
            while not self._closed:
                try:
                    good, picture = self._capture.read()
                except cv2.error:
                    return
                if not good or picture is None:
                    return
                with self._changed:
                    if len(self._frames) == WAITING:
                        self._frames.popleft()
                        self.dropped += 1
                    self._frames.append((picture, self._clock()))
                    self._changed.notify_all()
        finally:
            self._capture.release()
            with self._changed:
                self._ended = True
                self._changed.notify_all()


def open_attempts(
    source: int | str, *, wants_raw: bool | None, size: tuple[int, int] | None
) -> list[tuple[int | str, int, list[int]]]:
    """Return the ways to open a source, best first: (source, back end, settings).

    Parameters
    ----------
    source
        USB index or address.
    wants_raw
        Whether raw values are wanted; None: whatever there is, raw first.
    size
        (width, height) to ask for.

    Notes
    -----
    Raw 16-bit values come as ``Y16``; picture and raw plane in one image come as pairs of bytes,
    which only a switched-off conversion leaves alone. ``CAP_V4L2`` exists on Linux only; elsewhere
    the system's own back end is asked.
    """
    if isinstance(source, str):
        limits = [cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, OPEN_MS, cv2.CAP_PROP_READ_TIMEOUT_MSEC, READ_MS]
        return [(source, cv2.CAP_FFMPEG, limits)]
    sized = [] if size is None else [
        cv2.CAP_PROP_FRAME_WIDTH, size[0], cv2.CAP_PROP_FRAME_HEIGHT, size[1],
    ]  # fmt: skip
    plain = [cv2.CAP_PROP_CONVERT_RGB, 0]
    y16 = [*plain, cv2.CAP_PROP_FOURCC, cv2.VideoWriter.fourcc(*"Y16 ")]
    raw: list[tuple[int | str, int, list[int]]] = [
        (source, cv2.CAP_V4L2, [*y16, *sized]),
        (source, cv2.CAP_V4L2, [*plain, *sized]),
        (source, cv2.CAP_ANY, [*y16, *sized]),
        (source, cv2.CAP_ANY, [*plain, *sized]),
    ]
    shown: list[tuple[int | str, int, list[int]]] = [
        (source, cv2.CAP_V4L2, sized),
        (source, cv2.CAP_ANY, sized),
    ]
    if wants_raw is None:
        return [*raw, *shown]
    return raw if wants_raw else shown
