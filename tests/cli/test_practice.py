"""`hotspot practice`: whole folders that the reader takes, and one clear line for bad input."""

from __future__ import annotations

import json

import pytest

from hotspot.cli.main import main
from hotspot.files.boards import load_board
from hotspot.files.recordings import load_recording


def practice(*arguments) -> int:
    with pytest.raises(SystemExit) as stop:
        main(["practice", *map(str, arguments)])
    return int(stop.value.code or 0)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench") / "one"
    code = practice("record", folder, "--fault", "C12", "--seconds", "3", "--on-at", "1",
                    "--amps", "0.8", "--seed", "4")  # fmt: skip
    assert code == 0
    return folder


def test_a_recording_with_a_fault_of_ones_choice(made):
    recording = load_recording(made)
    assert len(recording.source) == 27
    assert recording.rail == "3V3"
    assert recording.injection.t_s.tolist() == [0.0, 1.0]
    assert len(recording.landmarks) == 6
    assert load_board(made.parent / "board").part("C12") is not None
    truth = json.loads((made / "truth.json").read_text())
    assert truth["fault"] == "C12"
    assert dict(truth["power_w"])["C12"] == pytest.approx(0.064, rel=1e-3)  # 0.8 A in 0.1 ohm


def test_a_second_recording_shares_the_board(made, capsys):
    before = (made.parent / "board" / "photo.jpg").stat().st_mtime_ns
    assert practice("record", made.parent / "two", "--seconds", "8", "--pulses", "2",
                    "--on-at", "1") == 0  # fmt: skip
    assert (made.parent / "board" / "photo.jpg").stat().st_mtime_ns == before
    recording = load_recording(made.parent / "two")
    assert recording.injection is None
    truth = json.loads((made.parent / "two" / "truth.json").read_text())
    assert truth["fault"] is None
    assert len(truth["edges_s"]) >= 3


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--fault", "C999"), ("--fault", "C999", "parts.csv")),
        (("--rail", "5V9"), ("--rail", "5V9", "VSYS")),
        (("--path", "L77"), ("--path", "L77")),
        (("--hidden", "--fault", "C12"), ("--hidden", "--fault")),
        (("--seconds", "5", "--on-at", "6"), ("--on-at", "--seconds")),
    ],
)
def test_what_the_board_does_not_have_is_named(tmp_path, capsys, arguments, words):
    assert practice("record", tmp_path / "x", *arguments) == 2
    error = capsys.readouterr().err.strip()
    assert len(error.splitlines()) == 1
    for word in words:
        assert word in error
    assert not list(tmp_path.iterdir())


def test_a_folder_that_holds_a_recording_is_left_alone(made, capsys):
    before = sorted(p.name for p in made.iterdir())
    assert practice("record", made) == 2
    assert "holds a recording already" in capsys.readouterr().err
    assert sorted(p.name for p in made.iterdir()) == before
