"""`hotspot find` as a technician or another program calls it."""

from __future__ import annotations

import io
import json
import os
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from hotspot.cli.main import main
from hotspot.evidence.metadata import check_picture
from hotspot.jobs import analysis
from tests.cli.bench import FAULT, copy_bench, make_bench

FILES = {"evidence.png", "heat.png", "heat.tif", "finding.json"}


@pytest.fixture(scope="module")
def bench(tmp_path_factory) -> Path:
    return make_bench(tmp_path_factory.mktemp("bench"))


@pytest.fixture(scope="module")
def answer(bench):
    """The analysis, made once; the command line is what is tested here."""
    return analysis.analyse_recording(bench)


@pytest.fixture
def analysed(answer, monkeypatch):
    """Let the command use the analysis that is there."""
    monkeypatch.setattr(analysis, "analyse_recording", lambda *args, **options: answer)


@pytest.fixture
def run(capsys):
    def call(*arguments: object) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as stop:
            main([str(a) for a in arguments])
        shown = capsys.readouterr()
        return int(stop.value.code or 0), shown.out, shown.err

    return call


def test_json_is_one_object_in_the_agreed_form(bench, run):
    code, out, err = run("find", bench, "--json")
    assert code == 0
    assert err == ""
    answer = json.loads(out)
    assert set(answer) >= {
        "format", "verdict", "false_alarm_probability", "spots", "suspects", "registration",
        "injection", "frames", "warnings",
    }  # fmt: skip
    assert answer["format"] == 1
    assert answer["verdict"] == "hot spot"
    assert answer["suspects"][0]["ref"] == FAULT
    assert answer["suspects"][0]["probability"] > 0.5
    assert sum(s["probability"] for s in answer["suspects"]) <= 1 + 1e-9
    assert answer["registration"]["method"] == "landmarks"
    assert answer["injection"]["source"] == "log"
    assert answer["injection"]["onset_s"] == pytest.approx(6.0)
    assert answer["frames"]["total"] == 200
    spot = answer["spots"][0]
    assert np.shape(spot["thermal_cov_px2"]) == (2, 2)
    assert set(spot) >= {
        "thermal_xy_px", "snr", "peak_delta_k", "role", "board_xy_mm", "board_cov_mm2",
        "photo_xy_px",
    }  # fmt: skip


def test_people_get_a_short_answer(bench, analysed, run):
    code, out, err = run("find", bench)
    assert code == 0
    assert err == ""
    said = " ".join(out.replace("\u00a0", " ").split())
    first = next(line for line in out.splitlines() if line.strip())
    assert first.startswith(f"{FAULT}, ")
    for words in ("something else", "What to do next", "Take care", f"Take {FAULT} off", "VSENSE"):
        assert words in said
    assert len(out.splitlines()) < 45


def test_the_evidence_is_whole_and_belongs_together(bench, analysed, run, tmp_path):
    folder = tmp_path / "new" / "evidence"
    code, out, _ = run("find", bench, "--out", folder)
    assert code == 0
    assert {p.name for p in folder.iterdir()} == FILES
    assert {p.name for p in folder.parent.iterdir()} == {"evidence"}  # no leftovers beside it
    finding = json.loads((folder / "finding.json").read_text(encoding="utf-8"))
    for name in ("evidence.png", "heat.png"):
        check = check_picture(folder / name, finding=finding)
        assert check.unaltered
        assert check.belongs
    rise = tifffile.imread(folder / "heat.tif")
    assert rise.dtype == np.float32
    x, y = finding["spots"][0]["thermal_xy_px"]
    row, col = np.unravel_index(np.nanargmax(rise), rise.shape)
    assert np.hypot(col - x, row - y) < 3
    with Image.open(folder / "evidence.png") as sheet:
        assert sheet.width == 1600
    assert str(folder / "evidence.png") in out


def test_evidence_is_saved_over_an_older_one_and_leaves_other_files(bench, analysed, run, tmp_path):
    (tmp_path / "finding.json").write_text("old")
    (tmp_path / "notes.txt").write_text("mine")
    code, _, _ = run("find", bench, "--out", tmp_path, "--json")
    assert code == 0
    assert {p.name for p in tmp_path.iterdir()} == {*FILES, "notes.txt"}
    assert json.loads((tmp_path / "finding.json").read_text())["verdict"] == "hot spot"


def test_where_the_folder_cannot_be_made_nothing_is_left(bench, analysed, run, tmp_path):
    (tmp_path / "file").write_text("in the way")
    code, out, err = run("find", bench, "--out", tmp_path / "file" / "deep")
    assert code == 2
    assert len(err.strip().splitlines()) == 1
    assert "--out" in err
    assert [p.name for p in tmp_path.iterdir()] == ["file"]
    assert out == ""


def test_no_hot_spot_is_an_answer(tmp_path, run):
    # By design one quiet recording in 200 gives a false alarm; this seed is not that one.
    quiet = make_bench(tmp_path / "quiet", peak_k=0.0, seed=8)
    code, out, _ = run("find", quiet, "--json")
    assert code == 0
    answer = json.loads(out)
    assert answer["verdict"] == "no hot spot"
    assert answer["suspects"] == [] or answer["suspects"][0]["probability"] < 0.5


def spoil_missing_frames(recording: Path) -> None:
    (recording / "frames.npy").unlink()


def spoil_truncated(recording: Path) -> None:
    path = recording / "frames.npy"
    path.write_bytes(path.read_bytes()[:200])


def spoil_toml(recording: Path) -> None:
    (recording / "recording.toml").write_text("format = ")


def spoil_times(recording: Path) -> None:
    lines = (recording / "frames.csv").read_text().splitlines()
    lines[100], lines[200] = lines[200], lines[100]
    (recording / "frames.csv").write_text("\n".join(lines) + "\n")


def spoil_landmarks(recording: Path) -> None:
    (recording / "landmarks.csv").write_text(
        "thermal_x_px,thermal_y_px,photo_x_px,photo_y_px\n" + "1,1,1,1\n2,2,2,2\n3,3,3,3\n4,4,4,4\n"
    )


def spoil_kind(recording: Path) -> None:
    path = recording.parent / "board" / "parts.csv"
    path.write_text(path.read_text().replace("capacitor", "condenser"))


def spoil_photo(recording: Path) -> None:
    (recording.parent / "board" / "photo.png").write_bytes(b"\x89PNG\r\n\x1a\n rubbish")


@pytest.mark.parametrize(
    ("spoil", "options", "names"),
    [
        (spoil_missing_frames, (), "recording"),
        (spoil_truncated, (), "frames.npy"),
        (spoil_toml, (), "recording.toml"),
        (spoil_times, (), "frames.csv"),
        (spoil_kind, (), "parts.csv"),
        (spoil_photo, ("--out", "evidence"), "photo.png"),
        (None, ("--rail", "VNOWHERE"), "VNOWHERE"),
        (None, ("--board", "nowhere"), "nowhere"),
    ],
)
def test_bad_input_is_one_line_and_nothing_is_written(
    bench, run, tmp_path, monkeypatch, spoil, options, names
):
    recording = copy_bench(bench, tmp_path / "spoiled")
    if spoil is not None:
        spoil(recording)
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    code, out, err = run("find", recording, *options, "--json")
    assert code == 2, out[:200]
    assert out == ""
    assert len(err.strip().splitlines()) == 1
    assert err.startswith("hotspot find: ")
    assert names in err
    assert list(here.iterdir()) == []


def test_frames_of_a_few_pixels_are_refused_in_one_line(bench, run, tmp_path):
    recording = copy_bench(bench, tmp_path / "tiny")
    np.save(recording / "frames.npy", np.load(recording / "frames.npy")[:, :5, :7])
    toml = (recording / "recording.toml").read_text()
    toml = toml.replace("width = 160", "width = 7").replace("height = 120", "height = 5")
    (recording / "recording.toml").write_text(toml)
    code, out, err = run("find", recording)
    assert (code, out) == (2, "")
    assert "too small" in err
    assert len(err.strip().splitlines()) == 1


def test_landmarks_on_one_line_never_end_in_a_traceback(bench, run, tmp_path):
    recording = copy_bench(bench, tmp_path / "spoiled")
    spoil_landmarks(recording)
    code, out, err = run("find", recording, "--json")
    assert code in (0, 2)
    if code == 0:
        assert any("landmark" in w.lower() for w in json.loads(out)["warnings"])
    else:
        assert "landmark" in err


@pytest.mark.parametrize("what", ["folder", "file", "missing"])
def test_something_that_is_no_recording(run, tmp_path, what):
    path = tmp_path / "thing"
    if what == "folder":
        path.mkdir()
    elif what == "file":
        path.write_text("x")
    code, out, err = run("find", path)
    assert (code, out) == (2, "")
    assert len(err.strip().splitlines()) == 1
    assert "thing" in err


def test_a_board_that_is_named_but_not_there_is_a_warning(bench, run, tmp_path):
    recording = copy_bench(bench, tmp_path / "moved")
    shutil.rmtree(tmp_path / "moved" / "board")
    code, out, _ = run("find", recording, "--json")
    assert code == 0
    answer = json.loads(out)
    assert answer["verdict"] == "hot spot"
    assert answer["suspects"] == []
    assert any("--board" in w for w in answer["warnings"])


@pytest.mark.parametrize("arguments", [(), ("--bogus",), ("a", "b"), ("a", "--board")])
def test_wrong_options_are_one_line(run, arguments):
    code, out, err = run("find", *arguments)
    assert (code, out) == (2, "")
    assert len(err.strip().splitlines()) == 1
    assert "--help" in err


def test_an_unknown_command_is_one_line(run):
    code, out, err = run("fnid")
    assert (code, out) == (2, "")
    assert "fnid" in err


class GonePipe(io.TextIOWrapper):
    """Standard output whose reader has left."""

    def __init__(self) -> None:
        super().__init__(io.BytesIO(), encoding="utf-8")

    def write(self, text: str) -> int:
        raise BrokenPipeError

    def fileno(self) -> int:
        return self.spare

    spare = -1


@pytest.mark.parametrize("options", [(), ("--json",)])
def test_a_reader_that_goes_away_is_no_fault(bench, analysed, monkeypatch, capsys, options):
    pipe = GonePipe()
    pipe.spare = os.open(os.devnull, os.O_WRONLY)
    monkeypatch.setattr(sys, "stdout", pipe)
    with pytest.raises(SystemExit) as stop:
        main(["find", str(bench), *options])
    os.close(pipe.spare)
    assert not stop.value.code


def test_output_survives_a_terminal_without_unicode(bench, analysed, monkeypatch):
    plain = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    monkeypatch.setattr(sys, "stdout", plain)
    with pytest.raises(SystemExit) as stop:
        main(["find", str(bench)])
    plain.flush()
    assert not stop.value.code
    assert b"What to do next" in plain.buffer.getvalue()
