"""Hygiene on frames of a real camera.

Source: python-cptv test data, see tests/data/walking_animal/ATTRIBUTION.md. A warm animal walks
through one recording, the other shows nothing warm; the camera stood on a post outdoors.
"""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hotspot.files.recordings import load_recording
from hotspot.find import find
from hotspot.finding import HOT_SPOT
from hotspot.frame import ArraySource, Recording, SwitchLog
from hotspot.heat.audit import FrameAudit, audit_frames
from hotspot.heat.values import value_converter
from hotspot.profile import CameraProfile
from tests.files.recording_folder import write_times, write_toml

WALLS = Path(__file__).resolve().parents[1] / "data" / "wall_pairs"
DATA = Path(__file__).resolve().parents[1] / "data" / "walking_animal"


def frames(name: str) -> np.ndarray:
    with np.load(DATA / f"{name}.npz") as stored:
        return np.cumsum(stored["difference"], axis=0, dtype=np.int32).astype(np.uint16)


def recorded(counts: np.ndarray) -> Recording:
    profile = CameraProfile("outdoor camera", counts.shape[2], counts.shape[1])
    return Recording("walking animal", profile, np.arange(len(counts)) / 9, ArraySource(counts))


def audit(counts: np.ndarray) -> FrameAudit:
    recording = recorded(counts)
    return audit_frames(recording, to_values=value_converter(recording))


@pytest.mark.parametrize(("name", "count"), [("animal", 100), ("empty", 102)])
def test_a_walking_animal_is_no_copy_no_shutter_no_bump_and_hardly_a_bad_pixel(
    name: str, count: int
) -> None:
    found = audit(frames(name))
    assert found.used.all()
    assert len(found.used) == count
    assert found.shutter_events == ()
    assert found.bumps == ()
    # One to three pixels near the border jump by 7 to 8 sd of their neighbours once, on their own;
    # none of them lies near the animal's way.
    assert found.bad.sum() <= 4
    assert not found.bad[30:100, 20:110].any()
    # Published with the data: temporal noise 0.81 and 0.78 counts, slow changes included; frame
    # to frame, line noise apart, there is less.
    assert 0.4 < found.noise[2] < 0.8


def test_copies_put_into_real_frames_are_found_and_no_others() -> None:
    seen = frames("animal")
    index = np.floor(np.arange(270) * 9 / 25).astype(int)
    delivered = seen[index]
    found = audit(delivered)
    assert np.array_equal(found.repeated, np.r_[False, np.diff(index) == 0])


def test_a_shutter_event_put_into_real_frames_is_found() -> None:
    rng = np.random.default_rng(21)
    counts = frames("empty").astype(np.float64)
    counts[50:56] = counts[49]
    counts[56:] += 6 + rng.normal(0, 2.0, counts.shape[1:])
    found = audit(np.round(counts).astype(np.uint16))
    assert np.array_equal(np.flatnonzero(found.shutter), np.arange(50, 56))
    (event,) = found.shutter_events
    assert event.index == 56
    assert event.pattern_changed
    assert event.pattern_rms == pytest.approx(2.0, rel=0.25)
    assert event.step == pytest.approx(6, abs=0.6)


@pytest.mark.parametrize("move", [(1, 0), (-2, 3)])
def test_a_move_put_into_real_frames_is_found(move: tuple[int, int]) -> None:
    counts = frames("empty")
    x, y = move
    rows, cols = 100, 140
    still = counts[:50, 10 : 10 + rows, 10 : 10 + cols]
    moved = counts[50:, 10 - y : 10 - y + rows, 10 - x : 10 - x + cols]
    found = audit(np.concatenate([still, moved]))
    assert [b.index for b in found.bumps] == [50]
    np.testing.assert_allclose(found.shift_px[-1], move, atol=0.1)


def test_the_animal_is_where_the_data_say() -> None:
    # Rise of 124 to 350 counts, near row 62 and column 57 in frame 20.
    seen = frames("animal").astype(float)
    rise = seen[20] - np.median(seen, axis=0)
    row, column = np.unravel_index(rise.argmax(), rise.shape)
    assert np.hypot(row - 62, column - 57) < 8
    assert 124 <= rise.max() <= 350


@pytest.mark.parametrize("name", ["animal", "empty"])
def test_neither_a_moving_source_nor_nothing_is_a_hot_spot(name: str) -> None:
    """A warm animal walks, the other recording shows nothing warm: no steady hot part in either."""
    found = find(recorded(frames(name)))
    assert found.verdict != HOT_SPOT
    assert found.suspects == ()


def test_a_steady_part_put_into_real_frames_is_found() -> None:
    """The refusals above are no deafness: a small part switched on half way, noted in a log.

    The outdoor scene wanders: the difference of the two halves scatters by 2 counts from pixel to
    pixel, so that a peak of 12 times the published noise stands out by eight of its sigma only.
    """
    seen = frames("empty").astype(float)
    y, x = np.mgrid[: seen.shape[1], : seen.shape[2]]
    spot = 12 * 0.78 * np.exp(-0.5 * ((x - 97) ** 2 + (y - 41) ** 2) / 1.5**2)
    seen[51:] += spot
    off_on = np.array([False, True])
    log = SwitchLog(np.array([0.0, 50.5 / 9]), off_on, np.full(2, np.nan), np.full(2, np.nan))
    found = find(replace(recorded(np.round(seen).astype(np.uint16)), injection=log))
    assert found.verdict == HOT_SPOT
    assert np.hypot(*(found.spots[0].xy_px - (97, 41))) < 1.0


def bare_tiff(counts: np.ndarray) -> bytes:
    """Write a TIFF 6.0 without tag 262, as the wall pairs' camera does: one strip, little end."""
    pixels = np.ascontiguousarray(counts, dtype="<u2").tobytes()
    rows, columns = counts.shape
    tags = [(256, 4, columns), (257, 4, rows), (258, 3, 16), (259, 3, 1), (273, 4, 8),
            (277, 3, 1), (279, 4, len(pixels))]  # fmt: skip
    entries = b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in tags)
    directory = struct.pack("<H", len(tags)) + entries + struct.pack("<I", 0)
    return b"II*\0" + struct.pack("<I", 8 + len(pixels)) + pixels + directory


def test_a_tiff_without_photometric_tag_is_read_to_the_bit(tmp_path: Path) -> None:
    counts = np.load(WALLS / "stands.npz")["counts"]
    rows, columns = counts.shape
    write_toml(tmp_path, camera="", width=columns, height=rows)
    write_times(tmp_path, 2)
    (tmp_path / "frames").mkdir()
    for i in range(2):
        (tmp_path / "frames" / f"{i}.tiff").write_bytes(bare_tiff(counts))
    (read,) = load_recording(tmp_path).source.chunks(2)
    assert read.dtype == np.uint16
    assert np.array_equal(read, np.stack([counts, counts]))
