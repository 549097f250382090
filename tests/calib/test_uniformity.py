from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calib.defects import find_defects
from calib.frames import FrameRate, FrameStack, read_stack
from calib.uniformity import fit_flat_field, measure_uniformity, save_flat_field
from calib.words import uniformity_words
from hotspot.errors import RecordingError
from hotspot.practice.sensor import CameraSettings, Sensor

SIZE = {"width": 120, "height": 90}


def stack_of(frames: np.ndarray, *, unit: str = "K") -> FrameStack:
    n = len(frames)
    good = np.ones(frames.shape[1:], bool)
    return FrameStack(frames, np.arange(n) / 9, good, unit, FrameRate(n, n, 0, 0, 9.0, 9.0, 0.1))


def test_bad_pixels_are_found_and_good_ones_are_not(camera) -> None:
    faults = {
        **SIZE, "fixed_pattern_mk": 30.0, "column_pattern_mk": 15.0, "row_noise_mk": 5.0,
        "bad_pixels": 8, "blinking_pixels": 8, "blink_k": 0.5,
    }  # fmt: skip
    frames = camera(1, 200, **faults)
    found = find_defects(stack_of(frames))
    sensor = Sensor(CameraSettings(**faults), np.random.default_rng(1))  # the same draw of places
    wrong = {*sensor.bad_xy, *sensor.blinking_xy}
    assert {tuple(p) for p in found.bad_pixels} == wrong
    assert found.counts["dead"] == 8


def test_false_alarms_stay_within_what_is_stated(camera) -> None:
    # 1 % a picture: none to three in 60 are to be expected (four in 3e-5 of such tests).
    alarms = 0
    for seed in range(30):
        for faults in ({}, {"fixed_pattern_mk": 30.0, "column_pattern_mk": 15.0,
                            "row_noise_mk": 5.0, "flicker_mk": 20.0}):  # fmt: skip
            frames = camera(seed, 64, **faults)
            alarms += bool((~find_defects(stack_of(frames)).good).any())
    assert alarms <= 3
    # The rate is neither far too low: 5 expected alarms a picture must give about as many.
    listed = [
        int((~find_defects(stack_of(camera(s, 64, **SIZE)), false_alarm=5.0).good).sum())
        for s in range(12)
    ]
    assert 1.5 < np.mean(listed) < 7.5


@pytest.mark.parametrize("step_k", [0.05, 0.1, 0.2, 0.3])
def test_rounding_makes_no_bad_pixels(camera, step_k: float) -> None:
    for seed in range(4):
        frames = camera(seed, 80, fixed_pattern_mk=30.0, **SIZE)
        rounded = (np.round(frames / step_k) * step_k).astype(np.float32)
        assert find_defects(stack_of(rounded)).good.all()


def two_scenes(camera, *, gain_sd: float = 0.02):
    rng = np.random.default_rng(9)
    gain = 1 + gain_sd * rng.standard_normal((56, 80))
    faults = {"fixed_pattern_mk": 60.0, "column_pattern_mk": 25.0}
    errors = camera(5, 320, scene_c=0.0, **faults)
    out = []
    for level, part in ((23.0, errors[:160]), (45.0, errors[160:])):
        out.append(stack_of((23 + (part + level - 23) * gain).astype(np.float32)))
    return gain, out


def test_two_scenes_give_every_pixels_gain_with_its_error(camera) -> None:
    gain, (cool, warm) = two_scenes(camera)
    report = measure_uniformity(cool, warm)
    # The flat field brings every pixel to the mean of all.
    expected = gain.mean() / gain
    pull = (report.flat.gain - expected) / report.flat.gain_sigma
    assert abs(pull.mean()) < 0.1
    assert pull.std() == pytest.approx(1.0, abs=0.1)
    assert report.before.fixed_pixel.value == pytest.approx(0.060, rel=0.05)
    # What is left is the noise of the flat field itself: 50 mK over √80 frames.
    assert report.after.fixed_pixel.value == pytest.approx(0.05 / np.sqrt(80), rel=0.15)
    assert report.after.fixed_column.value < 0.003
    assert "Gains differ by" in "\n".join(uniformity_words(report))


def test_one_scene_gives_offsets_only(camera) -> None:
    _, (cool, _) = two_scenes(camera)
    report = measure_uniformity(cool)
    assert (report.flat.gain == 1).all()
    assert report.after.fixed_pixel.value < 0.15 * report.before.fixed_pixel.value


def test_what_cannot_make_a_flat_field_is_refused(camera) -> None:
    a = stack_of(camera(1, 40))
    b = stack_of(camera(2, 40, scene_c=25.3))
    with pytest.raises(RecordingError, match=r"the two scenes differ by 0\.3"):
        measure_uniformity(a, b)
    with pytest.raises(RecordingError, match="8 frames are too few"):
        measure_uniformity(stack_of(camera(1, 8)))
    with pytest.raises(RecordingError, match="differ in size"):
        measure_uniformity(a, stack_of(camera(1, 40, width=64)))
    with pytest.raises(RecordingError, match="differ in unit"):
        measure_uniformity(a, stack_of(camera(1, 40), unit="counts"))
    with pytest.raises(ValueError, match="second must have shape"):
        fit_flat_field(np.zeros((5, 7)), np.zeros((7, 5)))


def test_structure_in_the_scene_is_noted(camera) -> None:
    scene = np.full((56, 80), 25.0)
    scene[10:40, 10:40] += 1.0
    report = measure_uniformity(stack_of(camera(3, 40, scene_c=scene)))
    assert any("shows structure" in w for w in report.warnings)


def test_a_flat_field_on_disk_applies_as_it_says(tmp_path: Path, camera) -> None:
    _, (cool, warm) = two_scenes(camera)
    flat = measure_uniformity(cool, warm).flat
    save_flat_field(flat, tmp_path)
    gain, offset = np.load(tmp_path / "gain.npy"), np.load(tmp_path / "offset.npy")
    np.testing.assert_allclose(
        gain * warm.values[3] + offset, flat.apply(warm.values[3]), atol=1e-4
    )


def test_known_bad_pixels_are_kept_and_not_judged(camera, recording_of) -> None:
    frames = camera(4, 60).copy()
    frames[:, 10, 20] = 60.0
    found = find_defects(read_stack(recording_of(frames)))
    assert found.counts["known"] == 1
    assert found.bad_pixels == ((20, 10),)
    assert found.counts["dead"] == 0
