from __future__ import annotations

import numpy as np
import pytest

from calib.characterise import characterise_noise
from calib.frames import read_stack
from calib.noise import measure_noise
from calib.spectrum import measure_allan, measure_spectrum, to_series
from calib.words import noise_words
from hotspot.errors import RecordingError
from hotspot.profile import CameraProfile, Values

FAULTS = {
    "fixed_pattern_mk": 30.0,
    "column_pattern_mk": 15.0,
    "row_noise_mk": 8.0,
    "column_noise_mk": 6.0,
}
TRUE = {
    "pixel": 0.050,
    "one_frame": 0.050,
    "row": 0.008,
    "column": 0.006,
    "fixed_pixel": 0.030,
    "fixed_column": 0.015,
}


@pytest.mark.parametrize("noise_blur_px", [0.0, 0.6])
def test_every_part_is_found_with_an_honest_error_bar(camera, noise_blur_px: float) -> None:
    pulls: dict[str, list[float]] = {name: [] for name in TRUE}
    for seed in range(16):
        frames = camera(seed, 40, noise_blur_px=noise_blur_px, **FAULTS)
        found = measure_noise(frames)
        for name, true in TRUE.items():
            part = getattr(found, name)
            pulls[name].append((part.value - true) / part.sigma)
        assert found.fixed_row.value < 4 * found.fixed_row.sigma
        assert found.frame.value < 4 * found.frame.sigma
        assert found.is_uniform
    for name, values in pulls.items():
        # 16 draws: the mean is good to 0.25, the spread to 18 %. Smoothing reflects at the border
        # and lifts the variance there, a bias of 0.2 % or up to 1.5 error bars.
        assert abs(np.mean(values)) < (0.8 if noise_blur_px == 0 else 2.5), name
        assert 0.5 < np.std(values) < 1.6, name


def test_smoothing_over_neighbours_is_seen(camera) -> None:
    plain = measure_noise(camera(1, 40))
    smooth = measure_noise(camera(1, 40, noise_blur_px=1.0))
    assert abs(plain.correlation[0]) < 0.01
    # A Gaussian of sd s correlates neighbours by exp(-1 / 4 s²): 0.779 for 1 px.
    np.testing.assert_allclose(smooth.correlation, np.exp(-0.25), atol=0.01)
    # The variance of a mean along a line grows by 2 √π s.
    np.testing.assert_allclose(smooth.spread, 2 * np.sqrt(np.pi), rtol=0.08)


def test_a_constant_and_a_smooth_shading_change_nothing_that_is_noise(camera) -> None:
    frames = camera(2, 30, **FAULTS)
    x = np.linspace(-1, 1, frames.shape[2])
    other = frames + 40.0 + 0.5 * x**2
    a, b = measure_noise(frames), measure_noise(other.astype(np.float32))
    assert b.pixel.value == pytest.approx(a.pixel.value, rel=1e-3)
    assert b.fixed_pixel.value == pytest.approx(a.fixed_pixel.value, rel=1e-2)
    assert b.is_uniform


def test_a_scene_is_told_from_a_uniform_one(camera) -> None:
    scene = np.full((56, 80), 25.0)
    scene[10:30, 20:50] += 0.5
    assert not measure_noise(camera(3, 20, scene_c=scene)).is_uniform
    assert measure_noise(camera(3, 20, fixed_pattern_mk=200.0)).is_uniform
    assert measure_noise(camera(3, 20, noise_blur_px=1.0)).is_uniform


def test_drift_is_frame_noise_not_pixel_noise(camera) -> None:
    steady = measure_noise(camera(4, 40))
    drifting = measure_noise(camera(4, 40, drift_k=1.0, drift_time_s=4.0))
    assert drifting.pixel.value == pytest.approx(steady.pixel.value, rel=2e-3)
    assert drifting.frame.value > 0.1


def wandering(rng: np.random.Generator, n: int, pixels: int, exponent: float, knee: float):
    """White noise of density 1 and slow noise that equals it at `knee` (Hz at 9 frames a second),
    made in the frequency domain (a draw four times as long, cut)."""
    long = 4 * n
    f = np.fft.rfftfreq(long, 1 / 9)
    f[0] = f[1]
    density = (f / knee) ** (-exponent)
    scale = np.sqrt(density * 9 / 2 * long / 2)[:, None]
    coefficients = scale * (
        rng.standard_normal((len(f), pixels)) + 1j * rng.standard_normal((len(f), pixels))
    )
    slow = np.fft.irfft(coefficients, long, axis=0)[:n]
    return slow + np.sqrt(9 / 2) * rng.standard_normal((n, pixels))


@pytest.mark.parametrize(("exponent", "knee"), [(1.0, 0.3), (1.5, 0.6)])
def test_the_knee_of_known_noise_is_found_with_its_error(exponent: float, knee: float) -> None:
    pulls = []
    for seed in range(10):
        series = wandering(np.random.default_rng(seed), 400, 400, exponent, knee)
        found = measure_spectrum(series, t_s=np.arange(400) / 9)
        assert found.knee_hz is not None
        assert found.knee_sigma_hz is not None
        assert found.knee_hz == pytest.approx(knee, rel=0.15)
        assert found.exponent == pytest.approx(exponent, abs=0.15)
        assert found.white_density == pytest.approx(1.0, rel=0.05)
        pulls.append((found.knee_hz - knee) / found.knee_sigma_hz)
    assert abs(np.mean(pulls)) < 1.2
    assert 0.4 < np.std(pulls) < 1.8


def test_white_noise_has_no_knee(camera) -> None:
    frames = camera(5, 200)
    series = to_series(frames)
    found = measure_spectrum(series, t_s=np.arange(200) / 9)
    assert found.knee_hz is None
    assert found.white_density == pytest.approx(2 * 0.05**2 / 9, rel=0.01)
    allan = measure_allan(series, t_s=np.arange(200) / 9)
    assert allan.worth_frames is None
    assert np.all(np.abs(allan.deviation - 0.05 / np.sqrt(allan.frames)) < 5 * allan.sigma)


def test_flicker_ends_averaging(camera) -> None:
    report = characterise_noise_of(camera(6, 300, flicker_mk=60.0))
    assert report.spectrum.knee_hz is not None
    assert report.spectrum.knee_hz == pytest.approx(0.5, rel=0.4)
    assert report.allan.worth_frames is not None
    assert 2 <= report.allan.worth_frames <= 12
    assert report.parts.pixel.value > 1.2 * report.parts.one_frame.value


def characterise_noise_of(frames: np.ndarray):
    profile = CameraProfile("c", frames.shape[2], frames.shape[1], values=Values.CELSIUS)
    return characterise_noise(read_stack(recording(frames, profile)))


def recording(frames, profile, rate_hz=9.0):
    from hotspot.frame import ArraySource, Recording

    return Recording("bench", profile, np.arange(len(frames)) / rate_hz, ArraySource(frames))


def test_repeated_frames_and_the_rate_of_new_ones(camera, recording_of) -> None:
    looks = camera(7, 60)
    delivered = looks[np.floor(np.arange(166) * 9 / 25).astype(int)]
    stack = read_stack(recording_of(delivered, rate_hz=25.0))
    assert stack.rate.delivered_hz == pytest.approx(25.0)
    assert stack.rate.repeated == 166 - 60
    assert stack.rate.effective_hz == pytest.approx(9.0, abs=2 * stack.rate.effective_sigma_hz)
    assert len(stack.values) == 60
    noise = measure_noise(stack.values)
    assert noise.one_frame.value == pytest.approx(0.05, rel=0.01)


def test_the_stated_error_of_the_rate_covers_copies_by_chance(camera, recording_of) -> None:
    pulls = []
    for seed in range(12):
        frames = camera(seed, 120, repeat_share=0.25, width=32, height=24)
        rate = read_stack(recording_of(frames, width=32, height=24)).rate
        pulls.append((rate.effective_hz - 9.0 * 0.75) / rate.effective_sigma_hz)
    assert abs(np.mean(pulls)) < 0.9
    assert 0.4 < np.std(pulls) < 1.7


def test_shutter_events_and_bad_pixels_are_left_out(camera, recording_of) -> None:
    frames = camera(
        8, 200, shutter_s=8.0, shutter_period_s=100.0, shutter_pattern_mk=40.0,
        bad_pixels=4, blinking_pixels=2, blink_k=2.0,
    )  # fmt: skip
    stack = read_stack(recording_of(frames))
    assert stack.rate.shutter >= 2
    assert stack.t_s[0] > 8.0  # the longer stretch is the second
    assert 4 <= (~stack.good).sum() <= 7
    noise = measure_noise(stack.values, good=stack.good)
    assert noise.one_frame.value == pytest.approx(0.05, rel=0.01)


def test_too_few_frames_are_refused(camera, recording_of) -> None:
    with pytest.raises(RecordingError, match="3 new frames in a row, 8 are needed"):
        read_stack(recording_of(camera(9, 3)))
    with pytest.raises(RecordingError, match="under 16 pixels"):
        read_stack(recording_of(camera(9, 12, width=24, height=10), width=24, height=10))
    with pytest.raises(ValueError, match="values must hold 4 frames"):
        measure_noise(np.zeros((3, 20, 30)))


def test_words_say_what_was_found(camera) -> None:
    text = "\n".join(noise_words(characterise_noise_of(camera(10, 64))))
    assert "NETD of one frame: 49." in text or "NETD of one frame: 50." in text
    assert "none seen" in text
    assert "white down to" in text


def test_a_moving_thing_is_noted(camera) -> None:
    frames = camera(11, 40).copy()
    for k in range(40):
        frames[k, 10:30, k : k + 20] += 3.0
    assert any("something moved" in w for w in characterise_noise_of(frames).warnings)


def test_a_camera_that_smooths_over_time_is_noted(camera) -> None:
    rng = np.random.default_rng(12)
    frames = np.zeros((200, 40, 56))
    frames[0] = 0.05 * rng.standard_normal((40, 56))
    for k in range(1, 200):  # a new frame counts a fifth, the sum so far four fifths
        frames[k] = 0.8 * frames[k - 1] + 0.2 * 0.05 * rng.standard_normal((40, 56))
    report = characterise_noise_of((25 + frames[50:]).astype(np.float32))
    # An average with memory a leaves σ √((1-a) / (1+a)) and correlates neighbours in time by a.
    assert report.parts.pixel.value == pytest.approx(0.05 / 3, rel=0.03)
    assert any("is alike (correlation 0.8" in w or "is alike (correlation 0.79" in w
               for w in report.warnings)  # fmt: skip
    assert not any("is alike" in w for w in characterise_noise_of(camera(1, 64)).warnings)
