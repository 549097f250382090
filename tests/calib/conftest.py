from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from hotspot.frame import ArraySource, Recording
from hotspot.practice.sensor import CameraSettings, Sensor
from hotspot.profile import Values

QUIET = {
    "width": 80,
    "height": 56,
    "values": Values.CELSIUS,
    "netd_mk": 50.0,
    "fixed_pattern_mk": 0.0,
    "column_pattern_mk": 0.0,
    "row_noise_mk": 0.0,
    "column_noise_mk": 0.0,
    "flicker_mk": 0.0,
    "drift_k": 0.0,
}

Deliver = Callable[..., np.ndarray]


def deliver(seed: int, n: int, *, scene_c: float | np.ndarray = 25.0, **faults) -> np.ndarray:
    """(n, rows, cols) frames of a practice camera that looks at a scene at rest."""
    settings = CameraSettings(**{**QUIET, **faults})
    sensor = Sensor(settings, np.random.default_rng(seed))
    scene = np.broadcast_to(np.asarray(scene_c, float), settings.shape)
    rate = settings.frame_rate_hz
    return np.stack([sensor.deliver(scene, t_s=k / rate).counts for k in range(n)])


def as_recording(frames: np.ndarray, *, profile=None, rate_hz: float = 9.0, **faults) -> Recording:
    camera = profile or CameraSettings(**{**QUIET, **faults}).to_profile()
    return Recording("bench", camera, np.arange(len(frames)) / rate_hz, ArraySource(frames))


@pytest.fixture
def camera() -> Deliver:
    return deliver


@pytest.fixture
def recording_of() -> Callable[..., Recording]:
    return as_recording
