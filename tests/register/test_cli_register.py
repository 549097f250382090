"""`hotspot register`: from a folder to sentences and a picture."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from hotspot.cli.main import main
from hotspot.evidence.registration import draw_registration
from hotspot.files.boards import save_board
from hotspot.register.registration import PlaneMap
from tests.register import scenes


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
    drawn = cv2.imread(str(picture))
    assert drawn is not None
    assert drawn.std() > 5
    assert run(["register", folder, "--board", pack, "--kept", kept]) in (0, None)
    assert "Method: rig" in capsys.readouterr().out


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
