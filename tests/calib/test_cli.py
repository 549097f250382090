from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from calib.cli.main import COMMANDS, main
from calib.generic import generic_names, guess_generic, load_generic, with_size
from hotspot.files.profiles import load_profile
from hotspot.files.recorder import save_recording
from hotspot.files.recordings import load_recording
from hotspot.profile import RawPlane, Values

ROOT = Path(__file__).resolve().parents[2]


def run(capsys, *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main([str(a) for a in arguments])
    out, err = capsys.readouterr()
    return int(stop.value.code or 0), out, err


@pytest.fixture
def bench(tmp_path: Path, camera, recording_of) -> Path:
    folder = tmp_path / "bench"
    save_recording(recording_of(camera(1, 40)), folder, container="npy")
    return folder


def test_help_lists_every_command_and_loads_nothing_heavy(capsys) -> None:
    code, out, _ = run(capsys, "--help")
    assert code == 0
    for name in COMMANDS:
        assert f"  {name}" in out
    probe = (
        "import sys\nfrom calib.cli.main import main\ntry: main(['--help'])\n"
        "except SystemExit: pass\n"
        "bad = {'numpy', 'scipy', 'cv2', 'matplotlib'} & set(sys.modules)\n"
        "print(bad)\nsys.exit(len(bad))"
    )
    done = subprocess.run(
        [sys.executable, "-c", probe], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_has_help_and_a_place_in_the_readme(capsys, name: str) -> None:
    code, out, _ = run(capsys, name, "--help")
    assert code == 0
    assert "Usage" in out
    assert f"calib {name}" in (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["nonsense"], "no command 'nonsense'"),
        (["noise", "nowhere"], "nowhere: no such folder"),
        (["noise"], "Missing argument"),
        (["correct", "20", "--emissivity", "1.5"], "emissivity must be <= 1"),
        (["correct", "20", "--emissivity", "0.1", "--reflected-c", "60"], "apparent_c must be"),
        (["correct", "warm"], "Invalid value for 'apparent_c'"),
        (["reference", "boiling"], "value is missing"),
        (["reference", "boiling", "5"], "pressure_hpa must be"),
        (["reference", "snow"], "no reference point 'snow'"),
        (["reference", "ice", "--altitude-m", "5"], "--altitude-m goes with boiling"),
        (["points", "nowhere.csv"], "nowhere.csv"),
        (["profiles", "--show", "x"], "no generic profile 'x'"),
        (["check", "nowhere.toml"], "nowhere.toml"),
        (["new", "/nowhere/camera.toml"], "no such folder"),
    ],
)
def test_bad_input_is_one_line_with_exit_code_2(capsys, arguments, message: str) -> None:
    code, out, err = run(capsys, *arguments)
    assert code == 2
    assert out == ""
    assert message in err
    assert err.count("\n") == 1
    assert "Traceback" not in err


def test_a_new_profile_from_what_is_said(capsys, tmp_path: Path) -> None:
    file = tmp_path / "camera.toml"
    code, out, _ = run(
        capsys, "new", file, "--like", "linear-64th-k", "--width", "192", "--height", "144",
        "--name", "bench 2", "--netd-mk", "45",
    )  # fmt: skip
    assert code == 0
    profile = load_profile(file)
    assert profile.name == "bench 2"
    assert profile.shape == (144, 192)
    assert profile.scale == 1 / 64
    assert profile.netd_mk == 45
    assert "Missing: psf_sigma_px" in out
    code, _, err = run(capsys, "new", file, "--like", "celsius", "--width", "5", "--height", "5")
    assert code == 2
    assert "exists already" in err
    assert load_profile(file).name == "bench 2"


def test_a_new_profile_without_a_person_to_ask_names_the_option(capsys, tmp_path: Path) -> None:
    code, _, err = run(capsys, "new", tmp_path / "c.toml", "--like", "celsius")
    assert code == 2
    assert "--width is missing" in err
    assert not (tmp_path / "c.toml").exists()


def test_a_new_profile_asks_a_person(capsys, tmp_path: Path, monkeypatch) -> None:
    import io

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stdin", Terminal("linear-10mk\n96\n72\n"))
    code, _, _ = run(capsys, "new", tmp_path / "c.toml")
    assert code == 0
    assert load_profile(tmp_path / "c.toml").shape == (72, 96)


def test_a_new_profile_measures_a_recording(capsys, tmp_path: Path, bench: Path) -> None:
    code, out, _ = run(capsys, "new", tmp_path / "c.toml", "--recording", bench)
    assert code == 0
    assert "look like: celsius (80 x 56 px)" in out
    profile = load_profile(tmp_path / "c.toml")
    assert profile.netd_mk == pytest.approx(50, rel=0.02)
    assert profile.frame_rate_hz == pytest.approx(9, rel=0.02)


def test_check_says_what_the_numbers_mean(capsys, tmp_path: Path) -> None:
    file = tmp_path / "camera.toml"
    _, text, _ = run(capsys, "profiles", "--show", "stacked")
    file.write_text(text, encoding="utf-8")
    code, out, _ = run(capsys, "check", file)
    assert code == 0
    assert "Raw plane: 256 x 192 px at (0, 192)" in out
    assert "counts of 15.625 mK" in out
    file.write_text(text.replace("scale = 0.015625", "scale = 0"), encoding="utf-8")
    code, _, err = run(capsys, "check", file)
    assert code == 2
    assert "scale is 0" in err


def test_points_become_a_profile(capsys, tmp_path: Path) -> None:
    base, table, out_file = (tmp_path / n for n in ("base.toml", "points.csv", "camera.toml"))
    run(capsys, "new", base, "--like", "radiance", "--width", "96", "--height", "72")
    table.write_text(
        "point,value,counts\nice,,5312\nthermometer,40,7750\nboiling,1000,13420\n", "utf-8"
    )
    code, out, _ = run(capsys, "points", table, "--profile", base, "--out", out_file)
    assert code == 0
    assert "boiling water at 1000 hPa" in out
    assert "Chi-square" in out
    assert load_profile(out_file).radiance_curve is not None
    code, out, _ = run(capsys, "points", table, "--kind", "linear", "--json")
    assert json.loads(out)["kind"] == "linear"
    code, _, err = run(capsys, "points", table, "--out", tmp_path / "other.toml")
    assert code == 2
    assert "--profile is missing" in err


def test_noise_as_words_json_and_picture(capsys, tmp_path: Path, bench: Path) -> None:
    picture = tmp_path / "noise.png"
    code, out, _ = run(capsys, "noise", bench, "--out", picture)
    assert code == 0
    assert "NETD of one frame" in out
    assert picture.read_bytes()[:4] == b"\x89PNG"
    code, out, _ = run(capsys, "noise", bench, "--json")
    found = json.loads(out)
    assert found["noise"]["one_frame"]["value"] == pytest.approx(0.05, rel=0.02)
    code, _, err = run(capsys, "noise", bench, "--out", tmp_path / "noise.bmp")
    assert code == 2
    assert ".bmp" in err
    code, _, err = run(capsys, "noise", bench, "--out", picture)
    assert code == 2
    assert "exists already" in err


def test_a_profile_of_another_size_is_refused(capsys, tmp_path: Path, bench: Path) -> None:
    file = tmp_path / "c.toml"
    run(capsys, "new", file, "--like", "celsius", "--width", "40", "--height", "30")
    code, _, err = run(capsys, "noise", bench, "--profile", file)
    assert code == 2
    assert "is for 40 x 30 px, the recording has 80 x 56" in err


def test_correct_and_reference(capsys) -> None:
    code, out, _ = run(capsys, "correct", "50", "--reflected-c", "23", "--json")
    assert code == 0
    assert json.loads(out)["true_c"] == pytest.approx(51.2694, abs=1e-3)
    _, out, _ = run(capsys, "correct", "50", "--sigma-k", "0.5", "--emissivity-sigma", "0.02")
    assert "from emissivity" in out
    code, out, _ = run(capsys, "reference", "boiling", "--altitude-m", "500", "--json")
    assert json.loads(out)["temperature_c"] == pytest.approx(98.3125, abs=1e-3)
    code, out, _ = run(capsys, "reference", "pt100", "109.73", "--class", "A")
    assert "24.988 °C" in out


def test_generic_profiles_load_and_guess_themselves() -> None:
    assert len(generic_names()) >= 7
    for name in generic_names():
        profile = load_generic(name)
        shape = (3, *profile.shape)
        if profile.values is Values.GREY8:
            frames = np.zeros(shape, np.uint8)
        elif profile.values is Values.PALETTE8:
            frames = np.random.default_rng(0).integers(0, 255, (*shape, 3)).astype(np.uint8)
        elif profile.values is Values.CELSIUS:
            frames = np.full(shape, 25, np.float32)
        elif profile.scale is not None:
            frames = np.full(shape, (25.0 - (profile.offset or 0)) / profile.scale, np.uint16)
        else:
            frames = np.full(shape, 7500, np.uint16)
        expected = "linear-64th-k" if name == "stacked" else name
        assert guess_generic(frames) == expected


@pytest.mark.parametrize("view", ["<u2", ">u2"])
def test_a_stacked_frame_reads_as_temperatures(tmp_path: Path, view: str) -> None:
    """Picture above, raw plane below, as two bytes a pixel of a plain video device."""
    from dataclasses import replace

    from hotspot.radiometry import to_celsius

    profile = with_size(load_generic("stacked"), width=24, height=18)
    assert profile.raw_plane == RawPlane((0, 18, 24, 18), "<u2")
    profile = replace(profile, raw_plane=replace(profile.raw_plane, view=view))
    rng = np.random.default_rng(2)
    celsius = rng.uniform(15, 60, (9, 18, 24))
    counts = np.rint((celsius + 273.15) * 64).astype(view)
    picture = rng.integers(0, 255, (9, 18, 24, 2)).astype(np.uint8)
    raw = counts.view(np.uint8).reshape(9, 18, 24, 2)
    folder = tmp_path / "stacked"
    folder.mkdir()
    np.save(folder / "frames.npy", np.concatenate([picture, raw], axis=1))
    (folder / "frames.csv").write_text(
        "index,t_s\n" + "".join(f"{k},{k / 9:.4f}\n" for k in range(9)), "utf-8"
    )
    from hotspot.files.profiles import profile_to_toml

    (folder / "recording.toml").write_text(
        "format = 1\ncomplete = true\n" + profile_to_toml(profile), "utf-8"
    )
    recording = load_recording(folder)
    (block,) = recording.source.chunks(9)
    np.testing.assert_allclose(to_celsius(block, recording.profile), celsius, atol=0.0079)
