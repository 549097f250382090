from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.cli.main import main
from calib.counts import measure_counts, to_counts
from calib.frames import read_stack
from calib.make import look_at
from hotspot.errors import RecordingError
from hotspot.files.recorder import save_recording
from hotspot.frame import ArraySource, Recording
from hotspot.profile import CameraProfile, RadianceCurve, Values
from hotspot.radiometry import to_celsius

CURVE = RadianceCurve(r=538000.0, b=1385.86, f=1.3645, offset=2214.0)
LINEAR = CameraProfile("c", 7, 5, scale=0.01, offset=-273.15)


@given(st.floats(-30, 300))
def test_counts_and_celsius_are_inverse(celsius: float) -> None:
    for profile in (LINEAR, CameraProfile("c", 7, 5, radiance_curve=CURVE)):
        counts = np.full((5, 7), float(to_counts(celsius, profile)))
        assert float(to_celsius(counts, profile)[2, 3]) == pytest.approx(celsius, abs=1e-4)


def test_counts_without_a_scale_are_refused() -> None:
    with pytest.raises(ValueError, match="profile must say what a count is worth"):
        to_counts(20.0, CameraProfile("c", 7, 5))
    assert float(to_counts(20.0, CameraProfile("c", 7, 5, values=Values.CELSIUS))) == 20.0


def test_a_region_is_read_without_its_bad_pixels() -> None:
    rng = np.random.default_rng(1)
    frames = np.full((30, 24, 32), 29500, np.uint16)
    frames[:, 10:14, 8:16] = (30000 + rng.integers(-3, 4, (30, 4, 8))).astype(np.uint16)
    frames[:, 11, 9] = 65535
    profile = CameraProfile("c", 32, 24, scale=0.01, offset=-273.15, bad_pixels=((9, 11),))
    recording = Recording("bath", profile, np.arange(30) / 9, ArraySource(frames))
    found = measure_counts(recording, (8, 10, 8, 4))
    assert found.counts.value == pytest.approx(30000, abs=0.4)
    # 31 pixels with an sd of 2 counts.
    assert found.counts.sigma == pytest.approx(2 / np.sqrt(31), rel=0.4)
    assert found.celsius == pytest.approx(26.85, abs=0.01)
    with pytest.raises(RecordingError, match="no good pixel"):
        measure_counts(recording, (9, 11, 1, 1))


def run(capsys, *arguments) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main([str(a) for a in arguments])
    out, err = capsys.readouterr()
    return int(stop.value.code or 0), out, err


def test_from_the_command_line(capsys, tmp_path: Path, camera, recording_of) -> None:
    save_recording(recording_of(camera(1, 20)), tmp_path / "bath", container="npy")
    code, text, _ = run(capsys, "counts", tmp_path / "bath", "--region", "5,5,20,20", "--json")
    assert code == 0
    assert json.loads(text)["counts"] == pytest.approx(25, abs=0.01)
    code, _, err = run(capsys, "counts", tmp_path / "bath", "--region", "5,5,200,20")
    assert code == 2
    assert "is not inside the 80 x 56 picture" in err
    file = tmp_path / "c.toml"
    run(capsys, "new", file, "--like", "linear-64th-k", "--width", "32", "--height", "24")
    _, text, _ = run(capsys, "check", file, "--count", "19081.6", "--celsius", "25")
    assert "Count 19081.6: 25.000 °C" in text
    assert "25 °C: count 19081.60" in text


def test_a_stacked_image_is_recognised(capsys, tmp_path: Path) -> None:
    np.save(tmp_path / "frames.npy", np.zeros((9, 36, 24, 2), np.uint8))
    look = look_at(tmp_path)
    assert (look.generic, look.width, look.height) == ("stacked", 24, 18)
    code, text, _ = run(capsys, "new", tmp_path / "c.toml", "--frames", tmp_path)
    assert code == 0
    assert "stacked (24 x 18 px)" in text
    assert "crop_px = [0, 18, 24, 18]" in (tmp_path / "c.toml").read_text("utf-8")


def test_torn_frames_are_left_out_not_their_pixels(camera, recording_of) -> None:
    frames = camera(2, 40).copy()
    frames[7, 20:24] = np.nan
    frames[:, 5, 5] = np.nan
    stack = read_stack(recording_of(frames))
    assert len(stack.values) == 39
    assert int((~stack.good).sum()) == 1


@pytest.mark.parametrize(
    ("frames", "profile", "message"),
    [
        (np.full((20, 24, 32), 65535, np.uint16), LINEAR, "are copies of the one before"),
        (
            np.full((20, 24, 32), 50, np.uint16),
            CameraProfile("c", 32, 24, radiance_curve=CURVE),
            "no temperatures by this profile",
        ),
    ],
)
def test_clipped_or_wrongly_read_frames_say_so(frames, profile, message: str) -> None:
    from dataclasses import replace

    profile = replace(profile, width=32, height=24)
    with pytest.raises(RecordingError, match=message):
        read_stack(Recording("r", profile, np.arange(20) / 9, ArraySource(frames)))


def test_two_cameras_in_one_folder_keep_their_own_bad_pixels(tmp_path: Path) -> None:
    from hotspot.files.profiles import load_profile, save_profile

    for name, pixel in (("a", (3, 4)), ("b", (5, 1))):
        save_profile(
            CameraProfile(name, 7, 5, scale=0.01, offset=0.0, bad_pixels=(pixel,)),
            tmp_path / f"{name}.toml",
        )
    assert load_profile(tmp_path / "a.toml").bad_pixels == ((3, 4),)
    assert load_profile(tmp_path / "b.toml").bad_pixels == ((5, 1),)
