from __future__ import annotations

import numpy as np
import pytest

from calib.characterise import characterise_noise
from calib.frames import read_stack
from calib.overview import SEEN_SIGMAS, build_overview


def test_what_is_seen_is_five_sigmas_of_the_difference(camera, recording_of) -> None:
    frames = camera(1, 300)
    recording = recording_of(frames)
    noise = characterise_noise(read_stack(recording))
    view = build_overview(noise, profile=recording.profile, mm_per_px=0.2)
    first = view.visible[0]
    assert first.frames == 9
    # 50 mK, 9 frames cold and 9 warm.
    expected = SEEN_SIGMAS * 0.05 * np.sqrt(2 / 9)
    assert first.pixel_k == pytest.approx(expected, rel=0.02)
    # The profile's blur w = 0.757 px: a matched filter gains √π w.
    assert recording.profile.psf_sigma_px == pytest.approx(0.757, abs=1e-3)
    assert first.part_k == pytest.approx(expected / (np.sqrt(np.pi) * 0.757), rel=0.02)
    assert view.smallest_mm == pytest.approx(2.8 * 0.757 * 0.2, rel=0.01)
    assert dict(view.facts)["Scale"] == "0.2 mm a pixel, 16 mm across"


def test_that_a_stated_rise_is_seen_holds_in_fresh_frames(camera, recording_of) -> None:
    """Five standard deviations: the scatter of differences in other recordings agrees."""
    recording = recording_of(camera(1, 120, flicker_mk=30.0))
    noise = characterise_noise(read_stack(recording))
    stated = build_overview(noise, profile=recording.profile).visible[0].pixel_k / SEEN_SIGMAS
    fresh = camera(2, 18, flicker_mk=30.0)
    difference = fresh[9:].mean(axis=0) - fresh[:9].mean(axis=0)
    assert float(difference.std()) == pytest.approx(stated, rel=0.06)
