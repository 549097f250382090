"""`hotspot register`: from a folder to sentences and a picture."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from hotspot.board import Board
from hotspot.cli.main import main
from hotspot.evidence.registration import draw_registration
from hotspot.files.boards import save_board
from hotspot.register.registration import PlaneMap
from tests.register import scenes
from tests.register.test_touch_and_rig import PLACES, TRUE, film


@pytest.fixture
def bench(tmp_path):
    """A recording with eight landmarks, the fourth wrong, and its board pack with a photo."""
    pair = scenes.build_pair(3)
    rows, cols = pair.thermal.shape
    rng = np.random.default_rng(1)
    folder = tmp_path / "recording"
    folder.mkdir()
    noise = rng.normal(0, 0.03, (12, rows, cols)).astype(np.float32)
    np.save(folder / "frames.npy", pair.thermal + noise)
    times = "".join(f"{i},{i / 25:.3f}\n" for i in range(12))
    (folder / "frames.csv").write_text("index,t_s\n" + times)
    (folder / "recording.toml").write_text(
        f'format = 1\ncomplete = true\n[camera]\nname = "invented"\nwidth = {cols}\n'
        f'height = {rows}\nvalues = "celsius"\n'
    )
    thermal = rng.uniform([60, 50], [cols - 60, rows - 50], (40, 2))[[0, 1, 2, 3, 4, 5, 6, 7]]
    thermal[:4] = [[50, 40], [200, 45], [195, 150], [55, 145]]
    photo = PlaneMap(pair.photo_from_thermal, np.zeros((8, 8))).map(thermal)
    photo[3] += 120.0
    lines = "".join(",".join(f"{v:.2f}" for v in row) + "\n" for row in np.c_[thermal, photo])
    (folder / "landmarks.csv").write_text(
        "thermal_x_px,thermal_y_px,photo_x_px,photo_y_px\n" + lines
    )
    pack = tmp_path / "board"
    save_board(pair.board, pack)
    cv2.imwrite(str(pack / "photo.png"), cv2.cvtColor(pair.photo, cv2.COLOR_RGB2BGR))
    return folder, pack, pair


def run(arguments):
    with pytest.raises(SystemExit) as stop:
        main([str(a) for a in arguments])
    return stop.value.code


def test_landmarks_are_reported_and_drawn(bench, tmp_path, capsys):
    folder, pack, _ = bench
    picture, kept = tmp_path / "overlay.png", tmp_path / "stand.json"
    code = run(["register", folder, "--board", pack, "--out", picture, "--save", kept])
    said = capsys.readouterr().out
    assert code in (0, None)
    assert "Method: landmarks" in said
    assert "Landmark 4 is off by" in said
    assert "left out: wrong" in said
    assert "thermal px (" in said
    drawn = cv2.imread(str(picture))
    assert drawn is not None
    assert drawn.std() > 5
    assert run(["register", folder, "--board", pack, "--kept", kept]) in (0, None)
    said = capsys.readouterr().out
    assert "Method: rig" in said
    assert "lies within 0.1 px" in said


def test_so_few_landmarks_that_they_always_fit_have_no_residual(bench, capsys):
    folder, pack, _ = bench
    lines = (folder / "landmarks.csv").read_text().splitlines(keepends=True)
    (folder / "landmarks.csv").write_text("".join(lines[:3]))
    assert run(["register", folder, "--board", pack]) in (0, None)
    said = capsys.readouterr().out
    assert "Residual: none that says anything" in said
    assert "landmark 2: - from" in said


def test_landmarks_off_the_thermal_picture_are_refused_by_number(bench, capsys):
    folder, pack, _ = bench
    lines = (folder / "landmarks.csv").read_text().splitlines()
    swapped = [",".join((*line.split(",")[2:], *line.split(",")[:2])) for line in lines[1:]]
    (folder / "landmarks.csv").write_text("\n".join([lines[0], lines[1], *swapped[1:]]) + "\n")
    assert run(["register", folder, "--board", pack]) == 2
    said = capsys.readouterr().err
    assert "outside the thermal picture" in said
    assert "landmarks 2, " in said


def test_a_picture_without_clicks_shows_none(bench, tmp_path, capsys):
    # The recording's own landmarks are no part of a registration made otherwise.
    folder, pack, _ = bench
    one, two = tmp_path / "one.png", tmp_path / "two.png"
    assert run(["register", folder, "--board", pack, "--automatic", "--out", one]) in (0, None)
    (folder / "landmarks.csv").unlink()
    assert run(["register", folder, "--board", pack, "--automatic", "--out", two]) in (0, None)
    assert np.array_equal(cv2.imread(str(one)), cv2.imread(str(two)))


def test_without_landmarks_the_picture_is_used(bench, capsys):
    folder, pack, _ = bench
    assert run(["register", folder, "--board", pack, "--automatic"]) in (0, None)
    said = capsys.readouterr().out
    assert "Method: automatic" in said
    assert "agree with the photo" in said


def test_clicks_on_a_line_are_one_sentence(bench, capsys):
    folder, pack, _ = bench
    (folder / "landmarks.csv").write_text(
        "thermal_x_px,thermal_y_px,photo_x_px,photo_y_px\n"
        "10,10,100,100\n60,60,300,300\n110,110,500,500\n"
    )
    assert run(["register", folder, "--board", pack]) == 2
    said = capsys.readouterr()
    assert "landmarks 1, 2 and 3 lie on one line" in said.err
    assert said.err.count("\n") == 1


def test_the_thermal_edges_fall_on_the_photo_edges(bench):
    _, _, pair = bench
    fitted = PlaneMap(pair.photo_from_thermal, np.zeros((8, 8)))
    grey = np.full_like(pair.photo, 90)
    right = draw_registration(grey, pair.thermal, fitted).astype(float)
    drawn = np.abs(right[..., 0] - right[..., 2]) > 40
    edges = cv2.Canny(cv2.cvtColor(pair.photo, cv2.COLOR_RGB2GRAY), 40, 120)
    near = cv2.dilate(edges, np.ones((9, 9), np.uint8)) > 0
    assert near[drawn].mean() > 1.5 * near.mean()


@pytest.fixture
def touched(tmp_path):
    """A recording in which four places are touched, a pack with a photo, and the clicks."""
    frames, times = film(np.random.default_rng(4))
    folder, pack = tmp_path / "touched", tmp_path / "pack"
    folder.mkdir()
    np.save(folder / "frames.npy", frames)
    lines = "".join(f"{i},{t:.3f}\n" for i, t in enumerate(times))
    (folder / "frames.csv").write_text("index,t_s\n" + lines)
    (folder / "recording.toml").write_text(
        'format = 1\ncomplete = true\n[camera]\nname = "invented"\nwidth = 160\n'
        'height = 120\nvalues = "celsius"\n'
    )
    save_board(Board("touched", (), units="photo_px"), pack)
    cv2.imwrite(str(pack / "photo.png"), np.full((560, 760, 3), 90, np.uint8))
    clicks = PlaneMap(TRUE, np.zeros((8, 8))).map(PLACES)
    csv = tmp_path / "clicks.csv"
    csv.write_text("photo_x_px,photo_y_px\n" + "".join(f"{x:.1f},{y:.1f}\n" for x, y in clicks))
    return folder, pack, csv


def test_touches_become_landmarks_and_a_picture(touched, tmp_path, capsys):
    folder, pack, csv = touched
    picture, marks = tmp_path / "pairs.png", tmp_path / "other" / "landmarks.csv"
    code = run(["register", folder, "--board", pack, "--touched", csv, "--landmarks", marks,
                "--out", picture, "--save", tmp_path / "stand.json"])  # fmt: skip
    said = capsys.readouterr().out
    assert code in (0, None)
    assert "Method: touch points" in said
    assert said.count(": click ") == 4
    rows = np.loadtxt(marks, delimiter=",", skiprows=1)
    assert marks.read_text().startswith("thermal_x_px,thermal_y_px,photo_x_px,photo_y_px\n")
    assert np.abs(rows[:, :2] - PLACES).max() < 0.6
    assert (tmp_path / "stand.json").exists()
    drawn = cv2.imread(str(picture)).astype(int)
    blue = (drawn[..., 0] > 200) & (drawn[..., 2] < 120)
    assert blue.sum() > 4 * 100
    # The recording that follows reads them as its own.
    (folder / "landmarks.csv").write_text(marks.read_text())
    assert run(["register", folder, "--board", pack]) in (0, None)
    assert "Method: landmarks" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("csv_text", "more", "expected"),
    [
        ("photo_x_px,photo_y_px\n1,2\n3,x\n", [], "line 3"),
        ("x,y\n1,2\n", [], "photo_x_px is missing"),
        ("photo_x_px,photo_y_px\n9999,2\n3,4\n5,6\n", [], "place 1 lies outside the photo"),
        ("photo_x_px,photo_y_px\n9,2\n3,4\n5,6\n", [], "4 touches were seen"),
        ("photo_x_px,photo_y_px\n9,2\n", ["--automatic"], "without --kept"),
    ],
)
def test_bad_touches_are_one_line(touched, capsys, csv_text, more, expected):
    folder, pack, csv = touched
    csv.write_text(csv_text)
    assert run(["register", folder, "--board", pack, "--touched", csv, *more]) == 2
    said = capsys.readouterr().err
    assert expected in said
    assert said.count("\n") == 1


def test_a_recording_without_touches_says_so(bench, tmp_path, capsys):
    folder, pack, _ = bench
    csv = tmp_path / "clicks.csv"
    csv.write_text("photo_x_px,photo_y_px\n9,2\n3,4\n50,6\n")
    assert run(["register", folder, "--board", pack, "--touched", csv]) == 2
    assert "no touch was seen" in capsys.readouterr().err
    assert run(["register", folder, "--landmarks", tmp_path / "l.csv"]) == 2
    assert "Give --touched" in capsys.readouterr().err
