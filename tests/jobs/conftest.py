import itertools
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from hotspot.cli.main import main
from hotspot.evidence.pictures import build_pictures
from hotspot.store.jobs import open_store
from tests.evidence import scene

SAMPLES = Path(__file__).resolve().parents[2] / "sample_frames"


@pytest.fixture(scope="session")
def evidence_folder(tmp_path_factory) -> Path:
    """What `hotspot find --out` saves, for a finding made by hand: C17 on an invented board."""
    folder = tmp_path_factory.mktemp("evidence")
    board = scene.make_board(tmp_path_factory.mktemp("board"))
    facts, pictures = build_pictures(
        scene.make_finding(board), scene.make_recording(), board=board, rail="VSENSE"
    )
    for name, data in pictures.items():
        (folder / name).write_bytes(data)
    (folder / "finding.json").write_text(json.dumps(facts), encoding="utf-8")
    return folder


@pytest.fixture
def store(tmp_path):
    ticks = itertools.count()
    start = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
    with open_store(
        str(tmp_path / "jobs.db"), clock=lambda: start + timedelta(minutes=next(ticks))
    ) as opened:
        yield opened


@pytest.fixture
def cli(tmp_path, monkeypatch, capsys):
    """Run the command line in an empty folder with a store of its own."""
    monkeypatch.setenv("HOTSPOT_STORE", str(tmp_path / "store" / "jobs.db"))
    monkeypatch.delenv("HOTSPOT_FILES", raising=False)
    monkeypatch.chdir(tmp_path)

    def run(*arguments, code: int = 0) -> str:
        with pytest.raises(SystemExit) as stop:
            main([str(a) for a in arguments])
        shown = capsys.readouterr()
        assert stop.value.code == code, shown.err
        if code == 2:
            assert len(shown.err.strip().splitlines()) == 1, shown.err
            assert shown.out == ""
            return shown.err.strip()
        return shown.out

    return run
