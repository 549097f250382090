"""The tape beside the live picture never makes the camera wait, and tells of the disk in time."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hotspot.bench import tape as tape_module
from hotspot.bench.tape import QUEUE_FRAMES, Tape
from hotspot.errors import HotspotError, RecordingError
from hotspot.files.disk import RESERVE_BYTES, RoomGauge
from hotspot.files.recorder import RecordingWriter
from hotspot.files.recordings import load_recording
from hotspot.profile import CameraProfile

PROFILE = CameraProfile(name="fake", width=32, height=24)


def picture(k: int = 0) -> np.ndarray:
    return np.full((24, 32), 1000 + k, np.uint16)


def wait_until(holds: Callable[[], object], seconds: float = 10.0) -> None:
    deadline = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < deadline, "it did not happen"
        time.sleep(0.005)


def test_a_disk_that_sleeps_costs_counted_frames_and_no_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asleep = threading.Event()
    append = RecordingWriter.append

    def slow(self: RecordingWriter, frame: np.ndarray, t_s: float) -> None:
        asleep.wait(20)
        append(self, frame, t_s)

    monkeypatch.setattr(RecordingWriter, "append", slow)
    tape = Tape(tmp_path / "r", PROFILE)
    longest_s = 0.0
    total = QUEUE_FRAMES + 60
    for k in range(total):
        began_s = time.monotonic()
        tape.frame(picture(k), t_s=k * 0.04)
        if k % 50 == 0:
            tape.switch(k * 0.04, on=k % 100 == 0, volts=None, amps=None)
        longest_s = max(longest_s, time.monotonic() - began_s)
    assert longest_s < 1.0  # the disk slept all the while
    # One frame may be in the writer's hands, beyond the queue.
    assert 59 <= tape.lost <= 60
    assert tape.n_frames + tape.lost == total
    asleep.set()
    tape.close()
    recording = load_recording(tmp_path / "r")
    assert recording.complete
    assert len(recording.source) == tape.n_frames
    assert recording.injection is not None
    assert len(recording.injection.t_s) == 6  # no line of the log is lost with the frames


def test_the_room_left_is_free_bytes_over_the_rate(tmp_path: Path) -> None:
    now = [0.0]
    file = tmp_path / "frames.mkv"
    gauge = RoomGauge(tmp_path, free_bytes=lambda _: RESERVE_BYTES + 600_000 - size())

    def size() -> int:
        return file.stat().st_size if file.exists() else 0

    assert gauge.measure(now[0]).left_s == float("inf")  # nothing is known yet
    for _ in range(5):
        now[0] += 1.0
        with file.open("ab") as out:
            out.write(bytes(1000))
    # 1000 bytes/s written, 595 000 left.
    assert gauge.measure(now[0]).left_s == pytest.approx(595.0)
    others = RoomGauge(tmp_path, free_bytes=lambda _: RESERVE_BYTES + int(1e6 - 5e4 * now[0]))
    others.measure(now[0])
    now[0] += 4.0
    # Others write 50 000 bytes/s: that decides.
    assert others.measure(now[0]).left_s == pytest.approx((1e6 - 5e4 * now[0]) / 5e4)


def test_a_disk_about_to_be_full_is_told_and_the_recording_ends_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tape_module, "LOOK_S", 0.05)
    monkeypatch.setattr("hotspot.files.disk.LEAST_S", 0.1)
    started_s = time.monotonic()

    def free_bytes(folder: Path) -> int:  # 100 MB/s are written by somebody
        return RESERVE_BYTES + int(1e8 - 1e8 * (time.monotonic() - started_s))

    tape = Tape(tmp_path / "r", PROFILE, free_bytes=free_bytes)
    said: list[str] = []
    k = 0
    while not tape.problem and k < 2000:
        tape.frame(picture(k), t_s=k * 0.01)
        said.append(tape.says)
        time.sleep(0.01)
        k += 1
    assert any("The disk has room for 0.0 min more" in text for text in said)
    assert "nearly full: the recording was closed in order" in tape.says
    tape.frame(picture(k), t_s=k * 0.01)  # the camera goes on, and nothing breaks
    with pytest.raises(HotspotError, match="nearly full"):
        tape.close()
    recording = load_recording(tmp_path / "r")
    assert recording.complete
    assert recording.warnings == ()
    assert 20 <= len(recording.source) <= k


def test_a_full_disk_takes_no_new_recording(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="only 5 MB are free"):
        Tape(tmp_path / "r", PROFILE, free_bytes=lambda _: 5_000_000)


def test_a_disk_that_refuses_leaves_what_was_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    append = RecordingWriter.append

    def refuse(self: RecordingWriter, frame: np.ndarray, t_s: float) -> None:
        if self.n_frames == 10:
            raise RecordingError("cannot be written (No space left on device)", where="r")
        append(self, frame, t_s)

    monkeypatch.setattr(RecordingWriter, "append", refuse)
    tape = Tape(tmp_path / "r", PROFILE)
    for k in range(30):
        tape.frame(picture(k), t_s=k * 0.04)
    wait_until(lambda: tape.problem)
    assert "No space left" in tape.says
    with pytest.raises(HotspotError, match="No space left"):
        tape.close()
    recording = load_recording(tmp_path / "r")
    assert not recording.complete
    assert len(recording.source) == 10


def test_a_gap_is_noted_as_a_new_segment(tmp_path: Path) -> None:
    tape = Tape(tmp_path / "r", PROFILE)
    for k in range(20):
        if k == 10:
            tape.resume(PROFILE)
        tape.frame(picture(k), t_s=k * 0.04 + (5.0 if k >= 10 else 0.0))
    tape.close()
    recording = load_recording(tmp_path / "r")
    assert recording.resumed_s == (pytest.approx(5.4),)
    assert recording.t_s[10] == pytest.approx(5.4)


def test_a_camera_that_comes_back_as_another_ends_the_recording(tmp_path: Path) -> None:
    tape = Tape(tmp_path / "r", PROFILE)
    for k in range(5):
        tape.frame(picture(k), t_s=k * 0.04)
    tape.resume(replace(PROFILE, width=3, height=3))
    tape.frame(np.zeros((3, 3), np.uint16), t_s=1.0)
    wait_until(lambda: tape.problem)
    assert "another picture" in tape.says
    recording = load_recording(tmp_path / "r")
    assert recording.complete
    assert len(recording.source) == 5
