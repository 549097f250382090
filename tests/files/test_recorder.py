"""What the recorder wrote opens again: whole, or up to the moment it was killed."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hotspot.errors import RecordingError
from hotspot.files.recorder import RecordingWriter, save_recording
from hotspot.files.recordings import load_recording
from hotspot.frame import ArraySource, Recording, SwitchLog
from hotspot.profile import CameraProfile, RadianceCurve, RawPlane, Values
from tests.files.recording_folder import COLS, ROWS, counts

PROFILE = CameraProfile(
    name='bench "A"',
    width=COLS,
    height=ROWS,
    radiance_curve=RadianceCurve(r=17000.5, b=1430.0, f=1.0, offset=-7000.25),
    netd_mk=50.0,
    psf_sigma_px=0.7,
    bad_pixels=((3, 4), (25, 18)),
    raw_plane=RawPlane((0, 19, 52, 19), ">u2"),
)


def recording(frames: np.ndarray, profile: CameraProfile = PROFILE) -> Recording:
    n = len(frames)
    t_s = np.cumsum(np.random.default_rng(8).uniform(0.01, 0.3, n))
    return Recording(
        name="r",
        profile=profile,
        t_s=t_s - t_s[0],
        source=ArraySource(frames),
        injection=SwitchLog(
            np.array([-1.0, 0.5, 1.25]),
            np.array([False, True, False]),
            np.array([np.nan, 0.9, 0.0]),
            np.array([np.nan, 1 / 3, np.nan]),
        ),
        landmarks=np.array([[1.5, 2, 3, 4], [5, 6, 7, 8.25]]),
        board="pack",
        rail="3V3 µ",
        ambient_c=22.5,
        started="2026-02-03T04:05:06Z",
        note='two\nlines "quoted" \\ \x07',
    )


@pytest.mark.parametrize("container", ["mkv", "tif", "npy"])
def test_save_and_load_is_identity(container: str, tmp_path: Path) -> None:
    given = recording(counts(9))
    save_recording(given, tmp_path / "r", container=container)
    got = load_recording(tmp_path / "r")
    assert got.profile == given.profile
    assert (got.rail, got.ambient_c, got.started, got.note, got.complete) == (
        given.rail, given.ambient_c, given.started, given.note, True,
    )  # fmt: skip
    assert got.board is not None
    assert Path(got.board).resolve() == Path("pack").resolve()
    np.testing.assert_array_equal(got.t_s, given.t_s)
    np.testing.assert_array_equal(got.landmarks, given.landmarks)
    assert got.injection is not None
    assert given.injection is not None
    for field in ("t_s", "on", "volts", "amps"):
        np.testing.assert_array_equal(
            getattr(got.injection, field), getattr(given.injection, field)
        )
    np.testing.assert_array_equal(np.concatenate(list(got.source.chunks(4))), counts(9))
    assert got.warnings == ()
    assert [p.name for p in (tmp_path / "r").iterdir() if p.name.startswith(".")] == []


@pytest.mark.parametrize(
    ("values", "dtype", "channels", "container"),
    [
        (Values.CELSIUS, np.float32, (), "tif"),
        (Values.CELSIUS, np.float32, (), "npy"),
        (Values.GREY8, np.uint8, (), "mkv"),
        (Values.PALETTE8, np.uint8, (3,), "mkv"),
        (Values.PALETTE8, np.uint8, (3,), "tif"),
    ],
)
def test_other_kinds_of_frames_come_back_exact(
    values: Values, dtype: type, channels: tuple[int, ...], container: str, tmp_path: Path
) -> None:
    frames = np.random.default_rng(2).uniform(0, 255, (5, ROWS, COLS, *channels)).astype(dtype)
    profile = CameraProfile(name="c", width=COLS, height=ROWS, values=values)
    save_recording(recording(frames, profile), tmp_path / "r", container=container)
    got = np.concatenate(list(load_recording(tmp_path / "r").source.chunks()))
    assert got.dtype == dtype
    np.testing.assert_array_equal(got, frames)


KILLED = """
import sys, time
import numpy as np
from pathlib import Path
from hotspot.files.recorder import RecordingWriter
from hotspot.profile import CameraProfile
rng = np.random.default_rng(3)
writer = RecordingWriter(Path(sys.argv[1]), CameraProfile(name="b", width=64, height=48),
                         container=sys.argv[2])
writer.append_injection(0.1, on=True, volts=0.9)
for k in range(100000):
    writer.append(rng.integers(0, 4000, (48, 64)).astype(np.uint16), k * 0.04)
    print(k, flush=True)
    time.sleep(0.002)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs kill -9")
@pytest.mark.parametrize(("container", "most_lost"), [("mkv", 1), ("tif", 0), ("npy", 0)])
def test_a_killed_recorder_loses_one_frame_at_most(
    container: str, most_lost: int, tmp_path: Path
) -> None:
    command = [sys.executable, "-c", KILLED, str(tmp_path / "r"), container]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        last = 0
        stop = time.monotonic() + 60
        for line in process.stdout:
            last = int(line)
            if last >= 70 or time.monotonic() > stop:
                os.kill(process.pid, signal.SIGKILL)
                break
        last = max([last, *(int(n) for n in process.stdout.read().split())])
    got = load_recording(tmp_path / "r")
    assert not got.complete
    assert last >= 70
    assert len(got.source) >= last + 1 - most_lost
    rng = np.random.default_rng(3)
    for block in got.source.chunks():
        for frame in block:
            np.testing.assert_array_equal(frame, rng.integers(0, 4000, (48, 64)).astype(np.uint16))
    assert got.injection is not None


@pytest.mark.parametrize("container", ["mkv", "tif", "npy"])
@pytest.mark.parametrize("tail", ["cut", "zeros", "noise"])
def test_a_power_cut_loses_less_than_a_second(
    container: str, tail: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is surely on the disk is what was brought there; what follows may be anything."""
    now = [0.0]
    monkeypatch.setattr("hotspot.files.recorder.time.monotonic", lambda: now[0])
    sync = RecordingWriter.sync
    copies: list[tuple[int, Path]] = []

    def copied(self: RecordingWriter) -> None:
        sync(self)
        copy = tmp_path / f"disk{len(copies)}"
        shutil.copytree(self.folder, copy)
        copies.append((self.n_frames, copy))

    monkeypatch.setattr(RecordingWriter, "sync", copied)
    frames = counts(120)
    at = []
    writer = RecordingWriter(tmp_path / "r", PROFILE, container=container)
    for k, frame in enumerate(frames):
        now[0] = k * 0.04
        writer.append(frame, k * 0.04)
        writer.append_injection(k * 0.04, on=k % 20 > 9, volts=0.5)
        at.append(len(copies) - 1)
    writer.close()
    assert len(copies) > 5
    rng = np.random.default_rng(1)
    kept = []
    for _, copy in copies[:-1]:
        name = copy / f"frames.{container}"
        if tail != "cut":
            lost = bytes(3000) if tail == "zeros" else rng.bytes(3000)
            name.write_bytes(name.read_bytes() + lost)
            times = copy / "frames.csv"
            times.write_bytes(times.read_bytes() + (bytes(40) if tail == "zeros" else b"12,0."))
            log = copy / "injection.csv"
            log.write_bytes(log.read_bytes() + (bytes(40) if tail == "zeros" else b"9.1,"))
        got = load_recording(copy)
        assert not got.complete
        assert got.injection is not None
        assert len(got.injection.t_s) >= len(got.t_s) - 2
        block = np.concatenate(list(got.source.chunks()))
        kept.append(len(block))
        np.testing.assert_array_equal(block, frames[: len(block)])
    for k in range(30, len(frames)):
        if at[k] < len(kept):
            assert k + 1 - kept[at[k]] <= 25  # frames a second


def append_until_refused(writer: RecordingWriter, frames: np.ndarray) -> int:
    for k, frame in enumerate(frames):
        try:
            writer.append(frame, k * 0.04)
        except RecordingError as error:
            return k if "cannot be written" in error.sentence else -1
    raise AssertionError("nothing was refused")


def test_a_file_that_may_not_grow_keeps_what_fits(tmp_path: Path) -> None:
    """A real refusal of the system in the middle of a frame, for each container."""
    resource = pytest.importorskip("resource")
    for container in ("mkv", "tif", "npy"):
        folder = tmp_path / container
        writer = RecordingWriter(folder, PROFILE, container=container)
        before = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, before[1]))
        try:
            written = append_until_refused(writer, counts(200))
            with contextlib.suppress(RecordingError):
                writer.close(complete=False)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)
        assert 30 < written < 200
        got = load_recording(folder)
        block = np.concatenate(list(got.source.chunks()))
        assert written - 2 <= len(block) <= written + 1
        np.testing.assert_array_equal(block, counts(200)[: len(block)])


def test_a_gap_is_kept_through_saving(tmp_path: Path) -> None:
    given = replace(recording(counts(9)), resumed_s=(0.25, 0.5))
    save_recording(given, tmp_path / "r")
    assert load_recording(tmp_path / "r").resumed_s == (0.25, 0.5)


def test_an_error_on_the_way_leaves_the_recording_marked(tmp_path: Path) -> None:
    def interrupted() -> None:
        with RecordingWriter(tmp_path / "r", PROFILE) as writer:
            writer.append(counts(1)[0], 0.0)
            raise KeyError

    with pytest.raises(KeyError):
        interrupted()
    assert not load_recording(tmp_path / "r").complete


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    save_recording(recording(counts(3)), tmp_path / "r")
    before = (tmp_path / "r" / "frames.mkv").read_bytes()
    with pytest.raises(RecordingError, match="holds a recording already"):
        save_recording(recording(counts(5)), tmp_path / "r")
    assert (tmp_path / "r" / "frames.mkv").read_bytes() == before


def test_wrong_frames_and_times_are_the_callers_mistake(tmp_path: Path) -> None:
    with RecordingWriter(tmp_path / "r", PROFILE) as writer:
        writer.append(counts(1)[0], 1.0)
        with pytest.raises(ValueError, match=r"t_s must be >= 1\.0, got 0\.5"):
            writer.append(counts(1)[0], 0.5)
        with pytest.raises(ValueError, match="frame must"):
            writer.append(counts(1)[0][:5], 2.0)
        with pytest.raises(ValueError, match="frame must"):
            writer.append(counts(1)[0].astype(np.uint8), 2.0)
        writer.append_injection(1.0, on=True)
        with pytest.raises(ValueError, match=r"t_s must be > 1\.0"):
            writer.append_injection(1.0, on=False)
    assert len(load_recording(tmp_path / "r").source) == 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a full device")
def test_a_full_disk_is_one_sentence(tmp_path: Path) -> None:
    writer = RecordingWriter(tmp_path / "r", PROFILE, container="npy")
    (tmp_path / "r" / "frames.npy").symlink_to("/dev/full")
    with pytest.raises(RecordingError, match="No space left"):
        writer.append(counts(1)[0], 0.0)
    with pytest.raises(RecordingError, match="No space left"):
        writer.close()
