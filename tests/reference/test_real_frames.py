"""Hygiene on frames of a real camera.

Source: python-cptv test data, see tests/data/walking_animal/ATTRIBUTION.md. A warm animal walks
through one recording, the other shows nothing warm; the camera stood on a post outdoors.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from hotspot.frame import ArraySource, Recording
from hotspot.heat.audit import FrameAudit, audit_frames
from hotspot.heat.values import value_converter
from hotspot.profile import CameraProfile

DATA = Path(__file__).resolve().parents[1] / "data" / "walking_animal"


def frames(name: str) -> np.ndarray:
    with np.load(DATA / f"{name}.npz") as stored:
        return np.cumsum(stored["difference"], axis=0, dtype=np.int32).astype(np.uint16)


def audit(counts: np.ndarray) -> FrameAudit:
    profile = CameraProfile("outdoor camera", counts.shape[2], counts.shape[1])
    recording = Recording(
        "walking animal", profile, np.arange(len(counts)) / 9, ArraySource(counts)
    )
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
