"""`hotspot board`: from design exports to a pack and a picture, and one line for bad input."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from hotspot.cli.main import main
from hotspot.files.boards import load_board

DATA = Path(__file__).resolve().parents[1] / "data"
FEATHER = DATA / "feather_board"


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main(["board", *(str(a) for a in arguments)])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return int(stop.value.code or 0), out, err


def feather(capsys, out: Path, *more: object) -> tuple[int, str, str]:
    return run(
        capsys, "import", out, "--centroids", FEATHER / "positions.csv",
        "--netlist", FEATHER / "netlist.ipc", "--bom", FEATHER / "bom.csv", *more,
    )  # fmt: skip


def photo_with_landmarks(folder: Path) -> tuple[Path, Path]:
    truth = json.loads((FEATHER / "photo_truth.json").read_text())
    lines = ["board_x_mm,board_y_mm,photo_x_px,photo_y_px"]
    for (x, y), (u, v) in zip(truth["board_mm"], truth["photo_px"], strict=True):
        lines.append(f"{x},{y},{u / 4},{v / 4}")
    (folder / "marks.csv").write_text("\n".join(lines) + "\n")
    Image.new("RGB", (753, 356), (40, 60, 110)).save(folder / "board.jpg")
    return folder / "board.jpg", folder / "marks.csv"


def test_import_check_and_draw(capsys, tmp_path: Path) -> None:
    photo, marks = photo_with_landmarks(tmp_path)
    code, out, err = feather(
        capsys, tmp_path / "pack", "--photo", photo, "--photo-landmarks", marks,
        "--rail", "3.3V=3.3", "--rail", "VIN", "--width-mm", 51, "--height-mm", 23,
    )  # fmt: skip
    assert (code, err) == (0, "")
    assert "67 parts (63 top, 4 bottom)" in out
    board = load_board(tmp_path / "pack")
    assert [(r.name, r.nominal_v) for r in board.rails] == [("3.3V", 3.3), ("VIN", None)]
    assert len(board.photo_landmarks) == 4
    code, out, err = run(capsys, "check", tmp_path / "pack")
    assert (code, err) == (0, "")
    assert "VIN has no nominal_v" in out
    for side in ("top", "bottom"):
        picture = tmp_path / f"{side}.png"
        code, _, err = run(
            capsys, "draw", tmp_path / "pack", "--out", picture, "--side", side, "--rail", "3.3v"
        )
        assert (code, err) == (0, "")
        with Image.open(picture) as drawn:
            assert drawn.width == 1600
            assert np.asarray(drawn).std() > 10


def test_a_pack_is_never_overwritten(capsys, tmp_path: Path) -> None:
    assert feather(capsys, tmp_path / "pack")[0] == 0
    before = (tmp_path / "pack" / "parts.csv").read_bytes()
    code, _, err = feather(capsys, tmp_path / "pack")
    assert code == 2
    assert "already" in err
    assert (tmp_path / "pack" / "parts.csv").read_bytes() == before


def test_check_finds_what_would_mislead(capsys, tmp_path: Path) -> None:
    assert feather(capsys, tmp_path)[0] == 0
    path = tmp_path / "board.toml"
    path.write_text(path.read_text().replace('"1.2V"', '"1V2"').replace('["GND"]', '["EARTH"]'))
    code, out, _ = run(capsys, "check", tmp_path, "--json")
    report = json.loads(out)
    assert code == 1
    severe = [p["sentence"] for p in report["problems"] if p["severe"]]
    assert any("1V2" in s for s in severe)
    assert any("EARTH" in s for s in severe)


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("import", "{tmp}/p"), "nothing to import from"),
        (("import", "{tmp}/p", "--centroids", "{tmp}/none.csv"), "no such file"),
        (("import", "{tmp}/p", "--netlist", "{data}/bom.csv"), "holds no IPC-D-356 record"),
        (("import", "{tmp}/p", "--centroids", "{data}/netlist.ipc"), "no header"),
        (("import", "{tmp}/p", "--ipc2581", "{data}/netlist.ipc"), "not valid XML"),
        (("import", "{tmp}/p", "--centroids", "{data}/positions.csv", "--unit", "ell"), "--unit"),
        (("import", "{tmp}/p", "--netlist", "{data}/netlist.ipc", "--rail", "3.3V=x"), "volts"),
        (("import", "{tmp}/p", "--netlist", "{data}/netlist.ipc", "--rail", "9V"), "on no part"),
        (("check", "{tmp}"), "holds no board.toml"),
        (("draw", "{tmp}/none"), "no such folder"),
    ],
)
def test_bad_input_is_one_line_and_exit_2(capsys, arguments, expected, tmp_path: Path) -> None:
    filled = [a.format(tmp=tmp_path, data=FEATHER) for a in arguments]
    code, out, err = run(capsys, *filled)
    assert code == 2
    assert expected in err
    assert err.count("\n") == 1
    assert out == ""
    assert not (tmp_path / "p").exists()


def test_draw_says_what_it_cannot_draw(capsys, tmp_path: Path) -> None:
    assert feather(capsys, tmp_path)[0] == 0
    assert "rail 9V is not on board" in run(capsys, "draw", tmp_path, "--rail", "9V")[2]
    assert "no .png" in run(capsys, "draw", tmp_path, "--out", tmp_path / "x.gif")[2]
    (tmp_path / "photo.jpg").write_bytes(b"\xff\xd8\xff no photo")
    (tmp_path / "photo_landmarks.csv").write_text(
        "board_x_mm,board_y_mm,photo_x_px,photo_y_px\n0,0,0,0\n9,0,9,0\n9,9,9,9\n0,9,0,9\n"
    )
    code, _, err = run(capsys, "draw", tmp_path, "--out", tmp_path / "x.png")
    assert code == 2
    assert "photo" in err
    assert not (tmp_path / "x.png").exists()
