"""A log that is on from the first frame leaves nothing to compare with."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.errors import RecordingError
from hotspot.find import find
from hotspot.frame import ArraySource, Recording, SwitchLog
from hotspot.profile import CameraProfile, Values


def recording(log: SwitchLog) -> Recording:
    rng = np.random.default_rng(3)
    frames = rng.normal(25.0, 0.05, (60, 48, 64)).astype(np.float32)
    return Recording(
        name="bench-3",
        profile=CameraProfile(name="made", width=64, height=48, values=Values.CELSIUS),
        t_s=np.arange(60) / 9.0,
        source=ArraySource(frames),
        injection=log,
    )


def log(t_s: list[float], on: list[bool]) -> SwitchLog:
    nothing = np.full(len(t_s), np.nan)
    return SwitchLog(t_s=np.array(t_s), on=np.array(on), volts=nothing, amps=nothing)


def test_on_from_the_first_frame_is_refused_with_a_cure() -> None:
    with pytest.raises(RecordingError, match=r"no cold frames.*before switching on"):
        find(recording(log([0.0], [True])))


def test_off_phases_later_are_cold_frames_too() -> None:
    made = recording(log([0.0, 2.0, 4.0], [True, False, True]))
    assert find(made).verdict in ("no hot spot", "cannot tell")


def test_a_log_without_current_cannot_tell() -> None:
    made = replace(recording(log([0.0], [False])), name="bench-4")
    assert find(made).verdict == "cannot tell"
