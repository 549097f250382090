"""What the first pass says about frames whose truth is known by construction."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from hotspot.frame import ArraySource, Recording
from hotspot.heat.audit import FrameAudit, audit_frames
from hotspot.heat.values import value_converter
from hotspot.profile import CameraProfile, Values

ROWS, COLS = 60, 84
NOISE_K = 0.05


def board(rng: np.random.Generator, rows: int = ROWS, cols: int = COLS) -> np.ndarray:
    picture = np.full((rows, cols), 24.0)
    for _ in range(60):
        y, x = rng.integers(0, rows), rng.integers(0, cols)
        h, w = rng.integers(2, rows // 5), rng.integers(2, cols // 5)
        picture[y : y + h, x : x + w] += rng.normal(0, 1.0)
    return cv2.GaussianBlur(picture, (0, 0), 0.7)


def recorded(
    frames: np.ndarray, *, rate_hz: float = 9.0, t_s: np.ndarray | None = None
) -> Recording:
    """A recording in counts of 10 mK."""
    counts = np.round((frames + 20) / 0.01).astype(np.uint16)
    profile = CameraProfile(
        "bench camera", frames.shape[2], frames.shape[1], scale=0.01, offset=-20.0
    )
    times = np.arange(len(frames)) / rate_hz if t_s is None else t_s
    return Recording("made here", profile, times, ArraySource(counts))


def audit(recording: Recording) -> FrameAudit:
    return audit_frames(recording, to_values=value_converter(recording))


def noisy(rng: np.random.Generator, n: int, picture: np.ndarray) -> np.ndarray:
    return picture + rng.normal(0, NOISE_K, (n, *picture.shape))


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20261125)


def test_a_clean_recording_keeps_every_frame_and_pixel(rng: np.random.Generator) -> None:
    found = audit(recorded(noisy(rng, 200, board(rng))))
    assert found.used.all()
    assert not (found.repeated | found.shutter | found.moved).any()
    assert found.shutter_events == ()
    assert found.segment.max() == 0
    assert not found.bad.any()
    assert found.warnings == ()
    assert found.noise[2] == pytest.approx(NOISE_K, rel=0.03)
    assert (found.gain == 1).all()
    assert (found.offset == 0).all()


def test_a_camera_delivering_25_hz_but_seeing_9_is_counted_by_its_looks(
    rng: np.random.Generator,
) -> None:
    looks = noisy(rng, 100, board(rng))
    index = np.floor(np.arange(270) * 9 / 25).astype(int)
    found = audit(recorded(looks[index], rate_hz=25.0))
    truth = np.r_[False, np.diff(index) == 0]
    assert np.array_equal(found.repeated, truth)
    assert not found.shutter.any()


def test_copies_encoded_again_are_recognised_and_looks_are_not(rng: np.random.Generator) -> None:
    looks = noisy(rng, 100, board(rng))
    index = np.arange(200) // 2
    frames = looks[index]
    frames[1::2] += rng.choice([-0.01, 0, 0, 0.01], frames[1::2].shape)
    found = audit(recorded(frames))
    assert np.array_equal(found.repeated, np.arange(200) % 2 == 1)


def test_a_freeze_and_a_step_are_a_shutter_event_with_a_new_segment(
    rng: np.random.Generator,
) -> None:
    frames = noisy(rng, 200, board(rng))
    frames[101:106] = frames[100]
    frames[106:] += 0.3 + rng.normal(0, 0.05, (ROWS, COLS))
    found = audit(recorded(frames))
    assert np.array_equal(np.flatnonzero(found.shutter), np.arange(101, 106))
    assert not found.repeated.any()
    (event,) = found.shutter_events
    assert event.index == 106
    assert event.step == pytest.approx(0.3, abs=0.02)
    assert found.shutter_steps == (pytest.approx(106 / 9),)
    assert np.array_equal(found.segment, (np.arange(200) >= 106).astype(int))


def test_blank_frames_are_a_shutter_event(rng: np.random.Generator) -> None:
    frames = noisy(rng, 150, board(rng))
    frames[80:84] = noisy(rng, 4, np.full((ROWS, COLS), 26.0))
    found = audit(recorded(frames))
    assert np.array_equal(np.flatnonzero(found.shutter), np.arange(80, 84))
    assert [e.index for e in found.shutter_events] == [84]


@pytest.mark.parametrize("rise_k", [1.0, 20.0])
def test_a_part_that_warms_is_neither_shutter_nor_bad_pixel(
    rng: np.random.Generator, rise_k: float
) -> None:
    y, x = np.mgrid[:ROWS, :COLS]
    # Optics of 0.5 px integrated over pixels: about the sharpest that are built.
    spot = np.exp(-((x - 40.2) ** 2 + (y - 30.4) ** 2) / (2 * 0.58**2))
    course = np.clip(1 - np.exp(-(np.arange(240) - 80) / 9 / 0.3), 0, None)
    frames = noisy(rng, 240, board(rng)) + rise_k * course[:, None, None] * spot
    found = audit(recorded(frames))
    assert found.used.all()
    assert found.shutter_events == ()
    assert not found.bad.any()


def test_blinking_dead_and_hot_pixels_are_found_and_only_they(rng: np.random.Generator) -> None:
    frames = noisy(rng, 300, board(rng))
    truth = np.zeros((ROWS, COLS), bool)
    for y, x in ((5, 70), (33, 12), (50, 50)):  # blinking, dwelling seconds
        state = np.cumsum(rng.random(300) < 0.05) % 2
        frames[:, y, x] += 0.6 * state
        truth[y, x] = True
    frames[:, 20, 20] = 25.0  # dead
    frames[:, 40, 61] += 9.0  # hot
    frames[:, 11, 33] += rng.normal(0, 0.3, 300)  # noisy
    for y, x in ((20, 20), (40, 61), (11, 33)):
        truth[y, x] = True
    found = audit(recorded(frames))
    assert np.array_equal(found.bad, truth)


def test_missing_values_do_not_spread(rng: np.random.Generator) -> None:
    frames = noisy(rng, 80, board(rng)).astype(np.float32)
    frames[:, 7, 9] = np.nan
    frames[3, 30, 30] = np.nan
    profile = CameraProfile("bench camera", COLS, ROWS, values=Values.CELSIUS, bad_pixels=((2, 4),))
    found = audit(Recording("made here", profile, np.arange(80) / 9, ArraySource(frames)))
    assert found.bad[7, 9]
    assert found.bad[4, 2]
    assert found.bad.sum() == 2
    assert found.used.all()
    assert np.isfinite(found.frame_mean).all()


def test_a_camera_that_was_away_begins_a_new_segment(rng: np.random.Generator) -> None:
    frames = noisy(rng, 80, board(rng))
    recording = replace(recorded(frames), resumed_s=(float(recorded(frames).t_s[50]),))
    assert np.array_equal(audit(recording).segment, np.repeat([0, 1], [50, 30]))
    assert not audit(recorded(frames)).segment.any()


def test_equal_frames_leave_one_to_use_and_say_so() -> None:
    found = audit(recorded(np.full((40, ROWS, COLS), 25.0)))
    assert found.used.sum() == 1
    assert found.used[0]
    assert any("same picture" in w for w in found.warnings)


def test_row_noise_is_measured(rng: np.random.Generator) -> None:
    frames = noisy(rng, 200, board(rng)) + rng.normal(0, 0.03, (200, ROWS, 1))
    row, column, pixel = audit(recorded(frames)).noise
    assert row == pytest.approx(0.03, rel=0.1)
    assert column < 0.006
    assert pixel == pytest.approx(NOISE_K, rel=0.03)


def test_too_small_frames_and_no_frames_are_refused() -> None:
    with pytest.raises(ValueError, match="at least 16 px"):
        audit(recorded(np.zeros((3, 12, 40))))
    with pytest.raises(ValueError, match="at least 1 frame, got 0"):
        audit(recorded(np.zeros((0, ROWS, COLS))))


@pytest.mark.parametrize("step_k", [0.1, 0.2, 0.4])
def test_coarse_rounding_makes_no_bad_pixels_and_no_events(
    rng: np.random.Generator, step_k: float
) -> None:
    frames = board(rng) + rng.normal(0, 0.03, (240, ROWS, COLS))
    found = audit(recorded(np.round(frames / step_k) * step_k))
    assert not found.bad.any()
    assert found.used.all()
    assert found.shutter_events == ()


def test_noiseless_frames_that_warm_ever_more_slowly_are_not_called_copies(
    rng: np.random.Generator,
) -> None:
    y, x = np.mgrid[:ROWS, :COLS]
    spot = np.exp(-((x - 40) ** 2 + (y - 30) ** 2) / 8)
    course = np.clip(1 - np.exp(-(np.arange(160) - 40) / 15), 0, None)
    frames = (board(rng) + 2 * course[:, None, None] * spot).astype(np.float32)
    profile = CameraProfile("bench camera", COLS, ROWS, values=Values.CELSIUS)
    found = audit(Recording("made here", profile, np.arange(160) / 9, ArraySource(frames)))
    assert found.used[41:].all()
    assert found.shutter_events == ()


def test_black_frames_are_left_out(rng: np.random.Generator) -> None:
    frames = noisy(rng, 120, board(rng))
    frames[60:62] = -20.0
    found = audit(recorded(frames))
    assert np.array_equal(np.flatnonzero(~found.used), [60, 61])


def test_one_spoilt_frame_is_left_out_alone(rng: np.random.Generator) -> None:
    frames = noisy(rng, 120, board(rng))
    frames[70] = frames[70, ::-1]
    found = audit(recorded(frames))
    assert np.array_equal(np.flatnonzero(~found.used), [70])
    assert found.bumps == ()
    assert any("left out" in w for w in found.warnings)


@pytest.mark.parametrize("n", [1, 2, 3, 7])
def test_very_short_recordings_are_taken_as_they_are(rng: np.random.Generator, n: int) -> None:
    found = audit(recorded(noisy(rng, n, board(rng))))
    assert found.used.all()
    assert len(found.used) == n
    assert not found.bad.any()


def test_a_pattern_that_changes_without_a_freeze_starts_a_segment(
    rng: np.random.Generator,
) -> None:
    frames = noisy(rng, 160, board(rng))
    frames[80:] += 0.2 + rng.normal(0, 0.08, (ROWS, COLS))
    (event,) = audit(recorded(frames)).shutter_events
    assert event.index == 80
    assert event.frozen == 0
    assert event.pattern_changed
    assert event.pattern_rms == pytest.approx(0.08, rel=0.15)


def test_a_step_of_the_whole_picture_alone_leaves_the_pattern_in_force(
    rng: np.random.Generator,
) -> None:
    frames = noisy(rng, 160, board(rng))
    frames[71:76] = frames[70]
    frames[76:] += 0.2
    (event,) = audit(recorded(frames)).shutter_events
    assert not event.pattern_changed
    assert event.step == pytest.approx(0.2, abs=0.02)


def test_memory_does_not_grow_with_length(rng: np.random.Generator) -> None:
    import tracemalloc

    class Endless:
        """Frames made when asked for."""

        shape = (ROWS, COLS)

        def __init__(self, n: int) -> None:
            self.n = n
            self.block = np.round(2000 + rng.normal(0, 5, (64, ROWS, COLS))).astype(np.uint16)

        def __len__(self) -> int:
            return self.n

        def chunks(self, size: int = 64):
            for first in range(0, self.n, size):
                yield self.block[: min(size, self.n - first)]

    peaks = []
    for n in (256, 1024):
        profile = CameraProfile("bench camera", COLS, ROWS, scale=0.01, offset=0.0)
        recording = Recording("made here", profile, np.arange(n) / 9, Endless(n))
        tracemalloc.start()
        audit(recording)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # What is kept: at most 2 kB a frame, and as much again while it is worked on.
    assert peaks[1] - peaks[0] < (1024 - 256) * 4000
