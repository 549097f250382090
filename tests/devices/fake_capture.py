"""A capture that misbehaves as it is told to, and the pictures it gives."""

from __future__ import annotations

import threading
import time
from typing import Any

import cv2
import numpy as np

from hotspot.devices.camera import CaptureCamera

ROWS, COLS = 24, 32
Y16 = cv2.VideoWriter.fourcc(*"Y16 ")


def raw(k: int = 0, *, rows: int = ROWS, cols: int = COLS) -> np.ndarray:
    return np.random.default_rng(k).integers(20000, 20100, (rows, cols)).astype(np.uint16)


def colour(k: int = 0) -> np.ndarray:
    return np.random.default_rng(k).integers(0, 256, (ROWS, COLS, 3)).astype(np.uint8)


class FakeCapture:
    """Gives what it was told to, a frame each 2 ms; None ends it, an event blocks it."""

    def __init__(self, frames: list[Any], *, period_s: float = 0.002, opened: bool = True) -> None:
        self.frames, self.period_s, self.opened = list(frames), period_s, opened
        self.released_in = ""

    def isOpened(self) -> bool:  # noqa: N802
        return self.opened

    def read(self) -> tuple[bool, Any]:
        time.sleep(self.period_s)
        frame = self.frames.pop(0) if self.frames else None
        if isinstance(frame, threading.Event):
            frame.wait(20)
            return False, None
        if isinstance(frame, Exception):
            raise frame
        return frame is not None, frame

    def release(self) -> None:
        self.released_in = threading.current_thread().name


def opened(frames: list[Any], **more: Any) -> CaptureCamera:
    return CaptureCamera(0, open_capture=lambda *_: FakeCapture(frames), **more)
