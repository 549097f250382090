"""An hour of recording, as fast as the machine goes: ``python -m tests.benchmarks.soak [FRAMES]``.

The live view of the bench app with a simulated camera (256 × 192 counts with fresh noise in every
frame, 25 frames a simulated second, unplugged once), baseline, output switched every minute, the
recording, and the live answer in its own process. The camera waits only while the recorder's queue
is half full, so the figures are what the machine can do. Printed every six simulated minutes:
memory of the process (resident set), frames written and lost. Then the recording is opened and
read again.

``--container tif`` or ``npy`` records into another container (the app uses mkv for counts).
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from hotspot.bench.cameras import CameraChoice, CameraKind
from hotspot.bench.live import LiveView
from hotspot.bench.live_state import Bounds
from hotspot.bench.suspicion import Case
from hotspot.bench.tape import QUEUE_FRAMES, Tape
from hotspot.errors import CameraError
from hotspot.files.recordings import load_recording
from hotspot.frame import RawFrame
from hotspot.profile import CameraProfile

ROWS, COLS, RATE_HZ = 192, 256, 25.0
FRAMES = int(3600 * RATE_HZ)
PROFILE = CameraProfile(name="soak", width=COLS, height=ROWS, scale=0.01, offset=-273.15)
NOISE_COUNTS = 5.0  # 50 mK
REPORTS = 10


def resident_mb() -> float:
    """Memory of this process; 0 where the system does not say."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
    except OSError:
        return 0.0
    return pages * 4096 / 1e6


class SoakCamera:
    """Frames as fast as they are taken; the time in them is simulated."""

    profile = PROFILE

    def __init__(self, soak: Soak) -> None:
        self.soak = soak
        self.start = soak.index

    def read(self) -> RawFrame:
        soak = self.soak
        while soak.tape is not None and soak.tape.waiting > QUEUE_FRAMES // 2:
            time.sleep(0.001)
        soak.index += 1
        if soak.index == soak.unplug_at:
            raise CameraError("gives no picture", where="soak")
        return RawFrame(soak.picture(), (soak.index - self.start) / RATE_HZ, soak.index)

    def close(self) -> None:
        """Nothing is held."""


class Soak:
    """The simulated camera's plug, and the frames behind it."""

    def __init__(self, frames: int) -> None:
        rng = np.random.default_rng(1)
        self.rng = rng
        scene = 29500 + 200 * rng.random((ROWS, COLS))
        noise = rng.normal(0, NOISE_COUNTS, (16, ROWS, COLS))
        self.pool = np.rint(scene + noise).astype(np.uint16)
        self.index = 0
        self.unplug_at = frames // 2
        self.tape: Tape | None = None

    def picture(self) -> np.ndarray:
        # Two of 16 noisy pictures, joined at a random line: no two frames are alike.
        a, b = self.rng.integers(0, len(self.pool), 2)
        line = int(self.rng.integers(0, ROWS))
        return np.concatenate([self.pool[a, :line], self.pool[b, line:]])

    def open(self, *_: Any, **__: Any) -> SoakCamera:
        return SoakCamera(self)

    def clock(self) -> float:
        return self.index / RATE_HZ


def run(frames: int, *, container: str, folder: Path) -> None:
    soak = Soak(frames)
    view = LiveView(
        CameraChoice(CameraKind.USB, "0"),
        case=Case(),
        bounds=Bounds(),
        publish=lambda shot: None,
        opener=soak.open,
        clock=soak.clock,
    )
    view.start()
    tape = Tape(folder / "hour", PROFILE, container=container)
    soak.tape = tape
    view._deck.begin(tape, at_s=soak.clock(), on=None)
    view.take_baseline()
    began_s = time.perf_counter()
    print("simulated min | frames | lost | memory MB | frames a second")
    every = max(frames // REPORTS, 1)
    done = 0
    on = False
    while tape.n_frames < frames:
        time.sleep(0.02)
        minute = int(soak.clock() // 60)
        if (minute % 2 == 1) is not on:
            on = not on
            view.switch(on)
        if tape.n_frames >= done + every or tape.n_frames >= frames:
            done += every
            rate = tape.n_frames / (time.perf_counter() - began_s)
            print(
                f"{soak.clock() / 60:13.1f} | {tape.n_frames:6d} | {tape.lost:4d} | "
                f"{resident_mb():9.1f} | {rate:8.0f}",
                flush=True,
            )
        if tape.problem:
            print(tape.problem)
            break
    view.end_tape()
    took_s = time.perf_counter() - began_s
    view.stop()
    size = sum(p.stat().st_size for p in (folder / "hour").iterdir())
    print(f"written in {took_s:.0f} s: {size / 1e6:.0f} MB, {size / tape.n_frames:.0f} B a frame")
    began_s = time.perf_counter()
    recording = load_recording(folder / "hour")
    opened_s = time.perf_counter() - began_s
    read = sum(len(block) for block in recording.source.chunks())
    print(
        f"opened in {opened_s:.1f} s, {read} frames read in {time.perf_counter() - began_s:.0f} s, "
        f"memory {resident_mb():.1f} MB; complete: {recording.complete}; "
        f"back after a gap: {len(recording.resumed_s)} time(s)"
    )
    for warning in recording.warnings:
        print("  ", warning)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("frames", nargs="?", type=int, default=FRAMES)
    parser.add_argument("--container", choices=("mkv", "tif", "npy"), default="mkv")
    parser.add_argument("--folder", type=Path, help="Record below this folder, and remove it again")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="hotspot-soak-", dir=given.folder) as name:
        run(given.frames, container=given.container, folder=Path(name))


if __name__ == "__main__":
    main()
