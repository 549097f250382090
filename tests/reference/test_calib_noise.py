"""Allan deviation, averaging law and noise against published data and a real camera's frames."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calib.characterise import characterise_noise
from calib.frames import read_stack
from calib.noise import measure_noise
from calib.spectrum import measure_allan
from hotspot.frame import ArraySource, Recording
from hotspot.profile import CameraProfile

DATA = Path(__file__).resolve().parents[1] / "data" / "walking_animal"


def published_series() -> np.ndarray:
    """The 1000-point frequency data of NIST SP 1065, section 12.4 (from memory): a linear
    congruential generator with prime modulus, n0 = 1234567890, divided by the modulus."""
    out, n = np.empty(1000), 1234567890
    for i in range(1000):
        out[i] = n / 2147483647
        n = 16807 * n % 2147483647
    return out


def test_published_series_is_the_right_one() -> None:
    series = published_series()
    # SP 1065: mean 0.4897745, minimum 0.0013717, maximum 0.9957453 (from memory).
    np.testing.assert_allclose(
        [series.mean(), series.min(), series.max()], [0.4897745, 0.001371760, 0.9957453], rtol=1e-6
    )


def test_overlapping_allan_deviation_of_the_published_series() -> None:
    # NIST SP 1065, table 31 (from memory; a general Allan library gives the same).
    found = measure_allan(
        published_series()[:, None], t_s=np.arange(1000.0), frames=np.array([1, 10, 100])
    )
    np.testing.assert_allclose(found.deviation, [2.922319e-1, 9.159953e-2, 3.241343e-2], rtol=1e-6)


def test_white_noise_averages_by_the_square_root() -> None:
    rng = np.random.default_rng(5)
    series = rng.normal(0, 0.05, (600, 900))
    frames = np.array([1, 4, 16, 25, 64, 100])
    found = measure_allan(series, t_s=np.arange(600) / 9, frames=frames)
    # NETD/√N: 50, 25, 12.5, 10, 6.25, 5 mK.
    expected = np.array([0.05, 0.025, 0.0125, 0.01, 0.00625, 0.005])
    assert np.all(np.abs(found.deviation - expected) < 3.5 * found.sigma)
    slope = np.polyfit(np.log(found.frames), np.log(found.deviation), 1)[0]
    assert slope == pytest.approx(-0.5, abs=0.05)


def real_frames() -> np.ndarray:
    with np.load(DATA / "empty.npz") as stored:
        return np.cumsum(stored["difference"], axis=0, dtype=np.int32).astype(np.uint16)


def test_noise_of_a_real_camera() -> None:
    """python-cptv test data (see ATTRIBUTION.md): an outdoor camera, nothing warm in view, temporal
    noise about 0.78 counts from frame to frame."""
    frames = real_frames()
    recording = Recording(
        "empty", CameraProfile("outdoor", 160, 120), np.arange(len(frames)) / 9, ArraySource(frames)
    )
    report = characterise_noise(read_stack(recording))
    parts = report.parts
    assert report.stack.unit == "counts"
    assert parts.frames == len(frames)
    assert parts.one_frame.value == pytest.approx(0.78, rel=0.05)
    # Straight: the standard deviation over time of single pixels, without any model.
    plain = frames.astype(float)
    plain -= plain.mean(axis=(1, 2), keepdims=True)
    assert float(np.median(parts.map)) == pytest.approx(
        float(np.median(plain.std(axis=0, ddof=1))), rel=0.02
    )
    assert not parts.is_uniform
    assert report.spectrum is not None
    assert report.spectrum.knee_hz is not None  # it wanders: averaging ends early
    assert report.allan.worth_frames is not None
    assert report.allan.worth_frames <= 4
    assert any("not uniform" in w for w in report.warnings)
    assert report.stack.rate.effective_hz == pytest.approx(9.0, abs=0.2)


def test_a_walking_animal_is_no_scene_at_rest() -> None:
    with np.load(DATA / "animal.npz") as stored:
        frames = np.cumsum(stored["difference"], axis=0, dtype=np.int32).astype(np.uint16)
    recording = Recording(
        "animal", CameraProfile("outdoor", 160, 120), np.arange(len(frames)) / 9,
        ArraySource(frames),
    )  # fmt: skip
    report = characterise_noise(read_stack(recording))
    assert any("something moved" in w for w in report.warnings)


def test_noise_put_into_real_frames_is_found() -> None:
    frames = real_frames().astype(np.float64)
    rng = np.random.default_rng(8)
    added = rng.normal(0, 2.0, frames.shape) + rng.normal(0, 0.7, (len(frames), 120, 1))
    before, after = measure_noise(frames), measure_noise(frames + added)
    pixel = np.sqrt(after.one_frame.value**2 - before.one_frame.value**2)
    row = np.sqrt(after.row.value**2 - before.row.value**2)
    assert pixel == pytest.approx(2.0, rel=0.01)
    assert row == pytest.approx(0.7, rel=0.03)
