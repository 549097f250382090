from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest

from calib.cli.main import main
from hotspot.files.profiles import load_profile
from hotspot.files.recorder import save_recording
from tests.calib.test_geometry import CHESS, show
from tests.calib.test_sharpness import edge, strip


def run(capsys, *arguments) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main([str(a) for a in arguments])
    out, err = capsys.readouterr()
    return int(stop.value.code or 0), out, err


@pytest.fixture
def save(tmp_path: Path, camera, recording_of):
    def to_disk(name: str, scene, *, n: int = 24, seed: int = 1, **faults) -> Path:
        if np.ndim(scene):
            faults = {"width": scene.shape[1], "height": scene.shape[0], **faults}
        frames = camera(seed, n, scene_c=scene, **faults)
        save_recording(recording_of(frames, **faults), tmp_path / name, container="npy")
        return tmp_path / name

    return to_disk


def test_uniformity_writes_maps_profile_and_picture(capsys, tmp_path: Path, save) -> None:
    faults = {"fixed_pattern_mk": 60.0, "bad_pixels": 3}
    cool = save("cool", 23.0, n=40, **faults)
    warm = save("warm", 45.0, n=40, **faults)
    out = tmp_path / "flat"
    code, text, _ = run(capsys, "uniformity", cool, warm, "--out", out)
    assert code == 0
    assert "with the flat field" in text
    assert np.load(out / "gain.npy").shape == (56, 80)
    assert len(load_profile(out / "camera.toml").bad_pixels) == 3
    assert (out / "uniformity.png").read_bytes()[:4] == b"\x89PNG"
    code, text, _ = run(capsys, "uniformity", cool, "--json")
    found = json.loads(text)
    assert len(found["bad_pixels"]) == 3
    assert found["after"]["fixed_pixel"] < 0.3 * found["before"]["fixed_pixel"]
    code, _, err = run(capsys, "uniformity", cool, "--out", out)
    assert code == 2
    assert err.count("\n") == 1


def test_sharpness_of_an_edge_and_a_strip(capsys, tmp_path: Path, save) -> None:
    folder = save("edge", np.hstack([edge(0.7, shape=(60, 44)), strip(14.3, shape=(60, 40))]))
    picture, profile = tmp_path / "edge.png", tmp_path / "camera.toml"
    code, text, _ = run(
        capsys, "sharpness", folder, "--region", "0,0,44,60", "--strip", "44,0,40,60",
        "--strip-mm", "10", "--out", picture, "--profile-out", profile,
    )  # fmt: skip
    assert code == 0
    assert "told apart from" in text
    assert "mm per pixel" in text
    assert picture.stat().st_size > 10_000
    assert load_profile(profile).psf_sigma_px == pytest.approx(np.hypot(0.7, 12**-0.5), abs=0.01)
    _, text, _ = run(capsys, "sharpness", folder, "--region", "0,0,44,60", "--json")
    assert json.loads(text)["angle_deg"] == pytest.approx(5, abs=0.2)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--region", "0,0,44"], "is not x,y,width,height"),
        (["--region", "0,0,440,60"], "is not inside the 84 x 60 picture"),
        (["--region", "2,2,20,50"], "no edge"),
        (["--strip", "1,1,20,20"], "--strip and --strip-mm go together"),
        (["--mm-per-px", "-1"], "out of range"),
        (["--out", "edge.bmp"], "edge.bmp"),
        (["--pinhole-px", "0", "--region", "2,2,20,50"], "no spot lies well inside"),
    ],
)
def test_sharpness_says_what_is_wrong_in_one_line(
    capsys, save, options, message, tmp_path: Path, monkeypatch
) -> None:
    monkeypatch.chdir(tmp_path)
    folder = save("edge", np.hstack([edge(0.7, shape=(60, 44)), strip(14.3, shape=(60, 40))]))
    code, out, err = run(capsys, "sharpness", folder, *options)
    assert code == 2
    assert out == ""
    assert message in err
    assert err.count("\n") == 1


def test_geometry_of_a_chessboard(capsys, tmp_path: Path, save) -> None:
    folder = save("grid", show(CHESS, noise=0)[0])
    out, picture = tmp_path / "rig.toml", tmp_path / "rig.pdf"
    options = ["--corners", "7x5", "--pitch-mm", "6"]
    code, text, _ = run(capsys, "geometry", folder, *options, "--out", out, "--picture", picture)
    assert code == 0
    assert "corners drawn in by" in text
    facts = tomllib.loads(out.read_text("utf-8"))
    assert facts["distortion"] == pytest.approx(-0.06, abs=0.01)
    assert facts["mm_per_px"] == pytest.approx(6 / 14, rel=0.03)
    assert np.array(facts["mm_from_px"]).shape == (3, 3)
    assert picture.read_bytes()[:4] == b"%PDF"
    for wrong, message in (
        (["--corners", "9x6", "--pitch-mm", "6"], "no grid of 9 x 6"),
        (["--corners", "seven", "--pitch-mm", "6"], "is not like 7x5"),
        (["--corners", "7x5", "--pitch-mm", "0"], "pitch_mm must be > 0"),
        (["--corners", "2x5", "--pitch-mm", "6"], "must be >= 3"),
    ):
        code, _, err = run(capsys, "geometry", folder, *wrong)
        assert code == 2
        assert message in err
        assert err.count("\n") == 1


def test_emissivity_of_a_board(capsys, tmp_path: Path, save) -> None:
    cool, warm = save("cool", 25.0), save("warm", 56.5)
    out = tmp_path / "board"
    code, text, _ = run(
        capsys, "emissivity", cool, warm, "--cool-c", "25", "--warm-c", "60", "--region",
        "10,10,20,20", "--out", out,
    )  # fmt: skip
    assert code == 0
    assert "Emissivity: median 0.8" in text
    assert np.load(out / "emissivity.npy").shape == (56, 80)
    _, text, _ = run(capsys, "emissivity", cool, warm, "--cool-c", "25", "--warm-c", "60", "--json")
    assert json.loads(text)["median"] == pytest.approx(0.886, abs=0.01)
    _, text, _ = run(capsys, "emissivity", "--known")
    assert "solder mask" in text
    for options, message in (
        ([cool, warm], "--cool-c and --warm-c are needed"),
        ([cool, warm, "--cool-c", "25", "--warm-c", "28"], "differ by 3.0 K"),
        ([cool, warm, "--cool-c", "25", "--warm-c", "900"], "out of range"),
    ):
        code, _, err = run(capsys, "emissivity", *options)
        assert code == 2
        assert message in err


@pytest.mark.parametrize("suffix", [".png", ".pdf"])
def test_the_page_is_written_and_the_same_input_gives_the_same_bytes(
    capsys, tmp_path: Path, save, suffix: str
) -> None:
    rest, sharp = save("rest", 25.0, n=64), save("edge", edge(0.7))
    pages = [tmp_path / f"page{k}{suffix}" for k in range(2)]
    for page in pages:
        code, text, _ = run(
            capsys, "report", rest, "--edge", sharp, "--mm-per-px", "0.2", "--date", "2026-01-02",
            "--out", page,
        )  # fmt: skip
        assert code == 0
    assert "NETD" in text
    assert "Told apart" in text
    assert "Seen in 1 s" in text
    assert pages[0].read_bytes() == pages[1].read_bytes()


def test_the_page_of_a_display_camera_promises_no_kelvin(
    capsys, tmp_path: Path, recording_of
) -> None:
    from hotspot.profile import CameraProfile, Values

    rng = np.random.default_rng(4)
    frames = (120 + 3 * rng.standard_normal((40, 40, 60))).astype(np.uint8)
    profile = CameraProfile("display", 60, 40, values=Values.GREY8)
    save_recording(recording_of(frames, profile=profile), tmp_path / "grey", container="npy")
    page = tmp_path / "page.png"
    code, text, _ = run(capsys, "report", tmp_path / "grey", "--out", page, "--json")
    found = json.loads(text)
    assert code == 0
    assert found["visible"] == []
    assert found["noise"]["unit"] == "grey levels"
    for options, message in (
        (["--out", tmp_path / "page.gif"], "page.gif"),
        (["--out", page], "exists already"),
        (["--out", tmp_path / "other.png", "--region", "0,0,5,5"], "--region goes with --edge"),
        (["--out", tmp_path / "no" / "other.png"], "no such folder"),
    ):
        code, _, err = run(capsys, "report", tmp_path / "grey", *options)
        assert code == 2
        assert message in err
        assert err.count("\n") == 1
