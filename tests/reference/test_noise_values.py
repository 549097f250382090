"""How noise averages: in the plan's prediction and in what a camera is said to see.

Laws of statistics; lock-in detection as in Breitenstein, Warta & Langenkamp, Lock-in Thermography,
2nd ed. (2010), sec. 2.6. Numbers worked apart from this project.
"""

from __future__ import annotations

import numpy as np
import pytest

from calib.characterise import characterise_noise
from calib.frames import read_stack
from calib.overview import build_overview
from hotspot.frame import ArraySource, Recording
from hotspot.inject.packages import PACKAGES
from hotspot.inject.prediction import Scenery, Viewing, pulsed_amplitude_k
from hotspot.inject.visibility import predict_visibility
from hotspot.profile import CameraProfile, Values


def test_difference_of_two_means() -> None:
    """NETD sqrt(1/N + 1/N): 50 mK gives 17.6777 and 8.8388 mK for 16 and 64 frames each."""
    rate_hz, rng = 16.0, np.random.default_rng(7)
    frames = (23.0 + rng.normal(0, 0.05, (400, 48, 64))).astype(np.float32)
    profile = CameraProfile("white", 64, 48, values=Values.CELSIUS)
    recording = Recording("white", profile, np.arange(400) / rate_hz, ArraySource(frames))
    noise = characterise_noise(read_stack(recording))
    seen = {v.frames: v.pixel_k for v in build_overview(noise, profile=profile).visible}
    assert seen[16] == pytest.approx(5 * 0.0176777, rel=0.03)
    assert seen[80] == pytest.approx(5 * 0.05 * np.sqrt(2 / 80), rel=0.05)


def test_lock_in_noise() -> None:
    """The in-phase mean(2 x sin) of noise has sd sqrt(2/N): 0.176777 at N = 64, measured here.

    The plan's pulse train must last until five of those sd make up the part's amplitude.
    """
    rng = np.random.default_rng(3)
    phase = 2 * np.pi * np.arange(64) / 16
    noise = rng.standard_normal((20000, 64))
    in_phase = (2 * noise * np.sin(phase)).mean(axis=1)
    quadrature = (2 * noise * np.cos(phase)).mean(axis=1)
    assert in_phase.std() == pytest.approx(0.176777, rel=0.02)
    amplitude = np.hypot(in_phase, quadrature)
    assert np.sqrt(np.mean(amplitude**2)) == pytest.approx(0.25, rel=0.02)  # 2/sqrt(N)
    assert amplitude.mean() == pytest.approx(0.221557, rel=0.02)  # Rayleigh: sqrt(pi/N)

    netd_k, rate_hz, period_s = 0.05, 10.0, 1.0
    scenery = Scenery(package=PACKAGES["0402"], view=Viewing(netd_mk=50.0, frame_rate_hz=rate_hz))
    for frames in (1000, 4000):
        # Measured at 64 frames; variances go down as 1/N.
        needed_k = 5 * netd_k * float(in_phase.std()) * np.sqrt(64 / frames)
        power_w = needed_k / pulsed_amplitude_k(scenery, period_s=period_s)
        found = predict_visibility(scenery, power_w=power_w, period_s=period_s)
        assert found.pulsed_s is not None
        assert found.pulsed_s * rate_hz == pytest.approx(frames, rel=0.04)
