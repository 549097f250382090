"""`hotspot plan` and `hotspot supply` as a technician types them."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from hotspot.cli.main import main
from hotspot.errors import InputError
from hotspot.evidence.plan import save_plan_plot
from hotspot.files.recorder import RecordingWriter
from hotspot.files.recordings import load_recording
from hotspot.inject.limits import RailCase
from hotspot.inject.plan import plan_injection
from hotspot.practice.supply_server import LoadedSupply, SupplyServer
from hotspot.profile import CameraProfile, Values

BOARD = str(Path(__file__).resolve().parents[2] / "sample_frames" / "board")


def call(capsys, *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main(list(arguments))
    said = capsys.readouterr()
    return int(stop.value.code or 0), said.out, said.err


EVERY_OPTION = [
    "--nominal-v",
    "1.1",
    "--max-v",
    "1.2",
    "--ohms",
    "0.25",
    "--lead-ohms",
    "0.2",
    "--supply-max-v",
    "30",
    "--supply-max-a",
    "5",
    "--lead-awg",
    "20",
    "--lead-m",
    "0.8",
    "--series-ohm",
    "0.02",
    "--series-max-a",
    "2",
    "--series-ohm",
    "0.05",
    "--series-max-a",
    "0.9",
    "--trace-width-mm",
    "0.5",
    "--trace-um",
    "35",
    "--trace-mm",
    "12",
    "--package",
    "0402",
    "--max-power-w",
    "0.4",
    "--netd-mk",
    "60",
    "--mm-per-px",
    "0.2",
    "--ambient-c",
    "21",
]


def test_every_option_of_the_contract(capsys) -> None:
    code, out, err = call(capsys, "plan", *EVERY_OPTION, "--json")
    assert (code, err) == (0, "")
    data = json.loads(out)
    assert data["refused"] is None
    assert data["limit_a"] <= 0.9
    assert data["expected"]["fault_ohm"] == pytest.approx(0.05)
    assert data["expected"]["power_w"]["series"] == pytest.approx(
        data["expected"]["amps"] ** 2 * 0.07
    )
    names = {x["name"] for x in data["limits"]}
    assert {"rating of series part 1", "rating of series part 2", "own power limit"} <= names


def test_people_get_tables_and_cautions(capsys) -> None:
    code, out, _ = call(capsys, "plan", *EVERY_OPTION)
    assert code == 0
    for word in ("Set ", "Ladder", "Limits", "IPC-2221", "eye protection", "Lithium", "isolated"):
        assert word in out, word


def test_board_pack_gives_the_rail(capsys) -> None:
    code, out, _ = call(
        capsys, "plan", "--board", BOARD, "--rail", "3V3", "--ohms", "0.3", "--json"
    )
    assert code == 0
    data = json.loads(out)
    volts = {x["name"]: x["value"] for x in data["limits"] if x["quantity"] == "volts"}
    assert volts["nominal voltage of the rail"] == 3.3


def test_options_cannot_loosen_the_board_pack(capsys) -> None:
    _, out, _ = call(
        capsys, "plan", "--board", BOARD, "--rail", "3V3", "--ohms", "900",
        "--nominal-v", "12", "--max-v", "15", "--json",
    )  # fmt: skip
    data = json.loads(out)
    assert data["set_v"] <= 3.3


@pytest.mark.parametrize(
    ("arguments", "words"),
    [(["--ohms", "0.1"], "nominal voltage is missing"),
     (["--nominal-v", "72", "--ohms", "0.1"], "above 60 V"),
     (["--nominal-v", "3.3", "--ohms", "OL"], "no short"),
     (["--nominal-v", "3.3", "--ohms", "-0.1"], "below 0"),
     (["--nominal-v", "3.3", "--ohms", "nan"], "below 0"),
     (["--nominal-v", "nan", "--ohms", "1"], "nominal voltage"),
     (["--nominal-v", "3.3", "--ohms", "1", "--netd-mk", "-5"], "NETD"),
     (["--nominal-v", "3.3", "--ohms", "1", "--lead-m", "inf"], "lead length"),
     (["--nominal-v", "3.3", "--ohms", "1", "--dielectric", "Z9"], "dielectric"),
     (["--nominal-v", "3.3", "--ohms", "1", "--battery-connected"], "disconnect it"),
     (["--nominal-v", "3.3", "--ohms", "1", "--max-power-w", "0"], "own power limit")],
)  # fmt: skip
def test_refusals_are_json_with_a_reason(capsys, arguments: list[str], words: str) -> None:
    code, out, _ = call(capsys, "plan", *arguments, "--json")
    assert code == 0
    data = json.loads(out)
    assert words in data["refused"]
    assert data["ladder"] == []
    assert data["set_v"] == data["limit_a"] == 0.0
    code, out, _ = call(capsys, "plan", *arguments)
    assert "No injection is proposed" in out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [(["--ohms", "lots"], "not a resistance"),
     (["--rail", "VDD"], "needs a board pack"),
     (["--board", "no-such-folder"], "no-such-folder"),
     (["--board", BOARD], "which rail"),
     (["--board", BOARD, "--rail", "NOPE"], "no rail 'NOPE'"),
     (["--series-max-a", "1"], "more ratings than series parts"),
     (["--trace-mm", "20"], "without its width"),
     (["--nominal-v", "x"], "--nominal-v"),
     (["--nominal-v", "1", "--ohms", "1", "--finding", "none.json"], "not a finding"),
     (["--nominal-v", "1", "--ohms", "1", "--plot", "/nowhere/p.png"], "cannot write"),
     (["--nominal-v", "1", "--ohms", "1", "--plot", "p.xyz"], "cannot write")],
)  # fmt: skip
def test_unusable_input_is_one_line_and_exit_2(capsys, arguments, words: str) -> None:
    code, out, err = call(capsys, "plan", *arguments)
    assert code == 2
    assert words in err
    assert err.count("\n") == 1
    assert "Traceback" not in out + err


@pytest.mark.parametrize("ohms", [0.02, 30.0, 2000.0])
def test_plot_is_drawn(tmp_path, ohms: float) -> None:
    path = tmp_path / "plan.png"
    save_plan_plot(plan_injection(RailCase(3.3, ohms)), path)
    assert path.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert path.stat().st_size > 10_000


def test_a_refused_plan_is_not_drawn(tmp_path) -> None:
    with pytest.raises(InputError, match="nothing to draw"):
        save_plan_plot(plan_injection(RailCase(3.3, math.inf)), tmp_path / "p.png")


def test_finding_is_confronted(capsys, tmp_path) -> None:
    path = tmp_path / "finding.json"
    path.write_text(json.dumps({"spots": [{"peak_delta_k": 0.02}]}))
    arguments = ["plan", "--nominal-v", "1", "--ohms", "0.05", "--finding", str(path)]
    _, out, _ = call(capsys, *arguments, "--json")
    assert json.loads(out)["confrontation"]["verdict"] == "less"
    _, out, _ = call(capsys, *arguments)
    assert "Less than predicted" in out


def test_supply_check_by_command(capsys) -> None:
    with SupplyServer(LoadedSupply()) as server:
        code, out, _ = call(capsys, "supply", "check", server.address)
    assert code == 0
    assert "This supply may run a plan." in out
    assert "equal" in out


def test_supply_check_says_what_fails(capsys) -> None:
    loaded = LoadedSupply(max_v=0.2)  # refuses the half volt of the check
    with SupplyServer(loaded) as server:
        code, out, _ = call(capsys, "supply", "check", server.address)
    assert code == 1
    assert "refused 0.5 V" in out
    assert "Do not run a plan" in out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [(["check", "nonsense"], "nonsense"), (["run", "x", "--plan", "p", "--log", "l"], "camera"),
     (["run", "x", "--plan", "p", "--no-camera"], "nothing would be written"),
     (["run", "x", "--plan", "p", "--no-camera", "--record", "r"], "nothing to record"),
     (["run", "x", "--plan", "p", "--camera", "0", "--log", "l", "--record", "r"], "its own"),
     (["run", "x", "--plan", "p", "--camera", "0", "--no-camera", "--log", "l"], "exclude"),
     (["run", "x", "--plan", "p", "--camera", "practice", "--log", "l"], "does not see your board"),
     (["run", "practice", "--plan", "p", "--camera", "0", "--log", "l"], "no camera sees"),
     (["run", "x", "--plan", "p", "--camera", "0", "--log", "l", "--cold-s", "2"], "--cold-s"),
     (["run", "x", "--plan", "p", "--camera", "0", "--log", "l", "--after-s", "nan"], "--after-s"),
     (["run", "practice", "--plan", "none.json", "--log", "l"], "none.json"),
     (["run", "x", "--plan", "none.json", "--log", "l", "--no-camera"], "none.json"),
     (["run", "x", "--plan", "p", "--log", "l", "--no-camera", "--pulse-minutes", "-1"], "0 to 60"),
     (["check", "x", "--dialect", "none.toml"], "none.toml"),
     (["practice", "--port", "99999"], "port 99999"), (["practice", "--short-ohm", "-1"], "below")],
)  # fmt: skip
def test_supply_mistakes_are_one_line(capsys, arguments, words: str) -> None:
    code, out, err = call(capsys, "supply", *arguments)
    assert code == 2
    assert words in err
    assert err.count("\n") == 1
    assert "Traceback" not in out + err


def save_plan(capsys, path: Path, *more: str) -> Path:
    _, out, _ = call(capsys, "plan", "--nominal-v", "3.3", "--ohms", "0.3", "--json", *more)
    path.write_text(out)
    return path


@pytest.mark.parametrize(
    ("arguments", "words"),
    [(["practice", "--rail", "NOPE"], "no rail 'NOPE'"),
     (["practice", "--board", "nowhere"], "nowhere"),
     (["x", "--camera", "99"], "cannot be opened"),
     (["x", "--camera", "webcam"], "is no USB camera"),
     (["x", "--camera", "file:///etc/passwd"], "no camera address"),
     (["x", "--camera", "0", "--profile", "none.toml"], "none.toml")],
)  # fmt: skip
def test_a_guard_that_cannot_be_opened_is_one_line(capsys, tmp_path, arguments, words) -> None:
    plan = save_plan(capsys, tmp_path / "plan.json")
    log = tmp_path / "log.csv"
    code, _, err = call(capsys, "supply", "run", *arguments, "--plan", str(plan), "--log", str(log))
    assert (code, err.count("\n")) == (2, 1), err
    assert words in err
    assert not log.exists()


def test_a_camera_without_degrees_has_to_be_wanted(capsys, tmp_path) -> None:
    plan = save_plan(capsys, tmp_path / "plan.json")
    video = tmp_path / "video"
    profile = CameraProfile(name="video", width=12, height=9, values=Values.GREY8)
    with RecordingWriter(video, profile) as writer:
        for i in range(30):
            writer.append(np.full((9, 12), i, np.uint8), 0.1 * i)
    arguments = ["supply", "run", "TCPIP::127.0.0.1::1::SOCKET", "--camera", str(video),
                 "--plan", str(plan), "--log", str(tmp_path / "log.csv")]  # fmt: skip
    code, _, err = call(capsys, *arguments)
    assert code == 2
    assert "knows no °C" in err
    code, _, err = call(capsys, *arguments, "--no-temperature")
    assert code == 2
    assert "127.0.0.1" in err  # it went on to the supply, which is not there


def test_practice_run_by_command(capsys, tmp_path) -> None:
    plan = save_plan(capsys, tmp_path / "plan.json")
    data = json.loads(plan.read_text())
    data["ladder"] = data["ladder"][-1:]
    data["ladder"][0]["hold_s"] = 2.0
    plan.write_text(json.dumps(data))
    code, out, err = call(
        capsys, "supply", "run", "practice", "--rail", "3V3", "--plan", str(plan),
        "--record", str(tmp_path / "rec"), "--cold-s", "6", "--after-s", "1",
    )  # fmt: skip
    assert (code, err) == (0, "")
    for words in ("2/3: on, ", "3/3: off, for 1 s", "complete.", "confirmed by the supply",
                  " frames. ", "Next: hotspot find"):  # fmt: skip
        assert words in out, out
    recording = load_recording(tmp_path / "rec")
    assert recording.complete
    assert recording.injection is not None
    code, _, err = call(
        capsys, "supply", "run", "practice", "--rail", "3V3", "--plan", str(plan),
        "--record", str(tmp_path / "rec"),
    )  # fmt: skip
    assert code == 2
    assert "holds a recording already" in err
