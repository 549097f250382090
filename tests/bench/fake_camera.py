"""A camera that can be unplugged, frozen and heated by a test."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import cv2
import numpy as np

from hotspot.errors import CameraError
from hotspot.frame import RawFrame
from hotspot.profile import CameraProfile, Values

SHAPE = (24, 32)
PROFILE = CameraProfile(name="fake", width=32, height=24, scale=0.01, offset=0.0)


class FakeCamera:
    """Frames of 25 °C at 200 Hz, as long as it is plugged in; a hot pixel on demand."""

    def __init__(self, bench: FakeBench) -> None:
        self.bench = bench
        video = CameraProfile(name="fake", width=32, height=24, values=Values.PALETTE8)
        self.profile = PROFILE if bench.palette is None else video
        self.index = 0
        self.start = time.monotonic()
        bench.opened += 1

    def read(self) -> RawFrame:
        time.sleep(0.005)
        while self.bench.silent:
            time.sleep(0.01)
        if not self.bench.plugged:
            raise CameraError("gives no picture", where="fake")
        counts = np.full(SHAPE, 2500, np.uint16)
        counts += self.bench.rng.integers(0, 10, SHAPE).astype(np.uint16)
        counts[7:14, 17:24] += self.bench.hot
        self.index += 1
        if self.bench.palette is not None:
            levels = np.clip(counts - 2500 + 4 * np.arange(32), 0, 255).astype(np.uint8)
            counts = np.ascontiguousarray(cv2.applyColorMap(levels, self.bench.palette)[:, :, ::-1])
        if self.bench.frozen:
            counts = self.last
        self.last = counts
        return RawFrame(counts, time.monotonic() - self.start, self.index)

    def close(self) -> None:
        self.bench.closed += 1


class FakeBench:
    def __init__(self) -> None:
        self.plugged, self.hot, self.opened, self.closed = True, 0, 0, 0
        self.silent = self.frozen = False
        self.palette: int | None = None  # of OpenCV: display video
        self.rng = np.random.default_rng(1)

    def open(self, *_: Any, **__: Any) -> FakeCamera:
        if not self.plugged:
            raise CameraError("cannot be opened", where="fake")
        return FakeCamera(self)


def wait_until(holds: Callable[[], object], seconds: float = 30.0) -> None:
    deadline = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < deadline, "it did not happen"
        time.sleep(0.005)
