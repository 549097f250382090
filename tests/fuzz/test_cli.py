"""The commands on damaged files: an answer, or exit code 2 and one line; never a traceback."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from calib.cli import main as calib_main
from hotspot.cli.main import main as hotspot_main
from tests.fuzz.mutate import mutated
from tests.fuzz.targets import TARGETS

SEEDS = 12
Line = Callable[[Path, Path], list[str]]  # the folder and the damaged file in it


def recording(*more: str) -> Line:
    return lambda folder, file: [*more, str(folder)]


def file(*before: str) -> Line:
    return lambda folder, path: [*before, str(path)]


CASES: list[tuple[str, Line]] = [
    *[(target, recording("find")) for target in (
        "recording.toml", "frames.csv", "injection.csv", "landmarks.csv", "bad pixels", "npy",
        "npy float", "tiff pages", "tiff deflate", "mkv", "png")],
    ("landmarks.csv", recording("register")),
    ("npy float", recording("register", "--automatic")),
    *[(target, recording("board", "check")) for target in (
        "board.toml", "parts.csv", "photo_landmarks.csv", "board photo")],
    ("board.toml", lambda folder, file: ["plan", "--board", str(folder), "--rail", "3V3",
                                         "--ohms", "0.1"]),
    ("board photo", lambda folder, file: ["board", "draw", str(folder), "--out",
                                          str(folder / "map.png")]),
    ("centroids", lambda folder, file: ["board", "import", str(folder / "new"), "--centroids",
                                        str(file)]),
    ("netlist", lambda folder, file: ["board", "import", str(folder / "new"), "--netlist",
                                      str(file)]),
    ("ipc2581", lambda folder, file: ["board", "import", str(folder / "new"), "--ipc2581",
                                      str(file)]),
    ("evidence.png", file("evidence", "check")),
    ("job zip", lambda folder, file: ["evidence", "check", str(file)]),
    ("backup zip", lambda folder, file: ["job", "restore", str(file), "--store",
                                         str(folder / "new" / "jobs.db")]),
    ("store file", lambda folder, file: ["job", "list", "--store", str(file)]),
    ("current log", file("triage", "--limit-a", "2", "--log")),
    ("triage rules", file("triage", "--before", "1mA", "--rules")),
    ("readings", file("readings", "--file")),
    ("finding.json", lambda folder, file: ["verify", "--first", str(file), "--second", str(file)]),
    ("finding.json", lambda folder, file: ["plan", "--nominal-v", "3.3", "--ohms", "0.1",
                                           "--finding", str(file)]),
    ("supply dialect", file("supply", "check", "TCPIP::127.0.0.1::9::SOCKET", "--dialect")),
    ("plan.json", lambda folder, file: ["supply", "run", "TCPIP::127.0.0.1::9::SOCKET", "--plan",
                                        str(file), "--log", str(folder / "log.csv"),
                                        "--no-camera"]),
    ("profile", file("calib", "check")),
    ("calibration points", file("calib", "points")),
    ("npy float", recording("calib", "noise")),
]  # fmt: skip


def test_every_case_names_a_reader() -> None:
    assert {target for target, _ in CASES} <= set(TARGETS)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    ("target", "line"), CASES, ids=[f"{k}-{target}" for k, (target, _) in enumerate(CASES)]
)
def test_a_damaged_file_is_an_answer_or_one_line(
    target: str, line: Line, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "files"
    folder.mkdir()
    path, _ = TARGETS[target](folder)
    good = path.read_bytes()
    codes = []
    for seed in range(SEEDS):
        path.write_bytes(mutated(good, np.random.default_rng([13, seed])))
        arguments = line(folder, path)
        is_calib = arguments[0] == "calib"
        main = calib_main if is_calib else hotspot_main
        with pytest.raises(SystemExit) as stop:
            main(arguments[1:] if is_calib else arguments)
        code = stop.value.code or 0
        said = capsys.readouterr().err
        assert "Traceback" not in said, f"seed {seed}"
        assert code in (0, 1, 2), f"seed {seed}: {said}"
        if code == 2:
            assert said.count("\n") == 1, f"seed {seed}: {said}"
            assert len(said) < 1400, f"seed {seed}: {said}"
        codes.append(code)
    assert {1, 2} & set(codes)  # the damage is felt at all
