"""Frames come back the same from the temporary file, also to two readers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from hotspot.files.spool import SpooledSource
from tests.files.recording_folder import counts


class Counting:
    """A container that counts its passes and may break."""

    path = Path("frames.mkv")

    def __init__(self, frames: np.ndarray, breaks_at: int | None = None) -> None:
        self.frames = frames
        self.shape = frames.shape[1:]
        self.dtype = frames.dtype
        self.breaks_at = breaks_at
        self.passes = 0

    def __len__(self) -> int:
        return len(self.frames)

    def chunks(self, size: int = 64):
        self.passes += 1
        for first in range(0, len(self.frames), size):
            if self.breaks_at is not None and first >= self.breaks_at:
                raise OSError("gone")
            yield self.frames[first : first + size]


def test_the_second_pass_reads_the_file() -> None:
    container = Counting(counts(11))
    source = SpooledSource(container)
    for size in (4, 3, 64, 1):
        np.testing.assert_array_equal(np.concatenate(list(source.chunks(size))), counts(11))
    assert container.passes == 1
    for a, b in zip(source.chunks(2), source.chunks(2), strict=True):
        np.testing.assert_array_equal(a, b)


def test_a_pass_that_stopped_early_is_not_taken_for_the_whole() -> None:
    container = Counting(counts(11))
    source = SpooledSource(container)
    next(iter(source.chunks(4)))
    np.testing.assert_array_equal(np.concatenate(list(source.chunks(4))), counts(11))
    assert container.passes == 2
    broken = SpooledSource(Counting(counts(11), breaks_at=8))
    for _ in range(2):
        with pytest.raises(OSError, match="gone"):
            list(broken.chunks(4))


def test_long_recordings_are_not_kept() -> None:
    container = Counting(counts(11))
    source = SpooledSource(container, max_bytes=100)
    for _ in range(2):
        np.testing.assert_array_equal(np.concatenate(list(source.chunks(4))), counts(11))
    assert container.passes == 2


@pytest.mark.parametrize("kind", ["mkv", "tiff deflate", "png"])
def test_a_recording_decodes_its_frames_once(kind: str, tmp_path: Path, monkeypatch) -> None:
    from hotspot.files.pictures import PictureSource
    from hotspot.files.recordings import load_recording
    from hotspot.files.tiffs import TiffSource
    from hotspot.files.videos import VideoSource
    from tests.files.recording_folder import write_times, write_toml
    from tests.files.test_containers import write_container

    write_toml(tmp_path)
    write_times(tmp_path, 12)
    write_container(tmp_path, kind, counts(12))
    source = load_recording(tmp_path).source
    first = np.concatenate(list(source.chunks(5)))
    np.testing.assert_array_equal(first, counts(12))
    for decoder in (VideoSource, TiffSource, PictureSource):
        monkeypatch.setattr(decoder, "chunks", lambda self, size=64: iter(()))
    np.testing.assert_array_equal(np.concatenate(list(source.chunks(7))), first)
