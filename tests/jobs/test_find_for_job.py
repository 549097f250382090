import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from hotspot.errors import StoreError
from hotspot.jobs import find_for_job as module
from hotspot.jobs.analysis import Analysis
from hotspot.jobs.find_for_job import find_for_job
from hotspot.store.entries import Action, ActionKind, Outcome, Phase, Status
from tests.evidence import scene
from tests.jobs.conftest import SAMPLES


@pytest.fixture
def asked(monkeypatch, tmp_path, evidence_folder):
    """Stand in for the analysis, which has its own tests, and note what it was asked."""
    seen = []
    board = scene.make_board(tmp_path)

    def analyse(folder, **options):
        seen.append({"folder": folder, **options})
        recording = replace(scene.make_recording(), name=folder.name)
        return Analysis(recording, board, "VSENSE", scene.make_finding(board))

    def save(analysis, folder):
        folder.mkdir(parents=True, exist_ok=True)
        return tuple(Path(shutil.copy(p, folder)) for p in sorted(evidence_folder.iterdir()))

    monkeypatch.setattr(module, "analyse_recording", analyse)
    monkeypatch.setattr(module, "save_evidence", save)
    return seen


def test_recording_finding_pictures_and_board_are_kept(store, asked, tmp_path) -> None:
    job = store.new_job(customer="K", board_type="weir-logger")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "shopping list.txt").write_text("milk")
    _, saved = find_for_job(
        store, job.id, SAMPLES / "step", board_folder=SAMPLES / "board", out=tmp_path / "out"
    )
    assert {p.name for p in saved} >= {"evidence.png", "finding.json"}
    file = store.job_file(job.id)
    assert {a.name for a in file.findings[0].files} >= {"evidence.png", "heat.png", "finding.json"}
    assert "shopping list.txt" not in {a.name for a in file.findings[0].files}
    assert file.findings[0].recording_id == file.recordings[0].id
    assert file.recordings[0].rail == "VSENSE"
    assert {a.name for a in file.attachments} >= {"board.toml", "parts.csv"}


def test_the_same_recording_is_kept_once_and_the_kept_board_is_used(store, asked) -> None:
    job = store.new_job(customer="K", board_type="weir-logger")
    find_for_job(store, job.id, SAMPLES / "step", board_folder=SAMPLES / "board")
    find_for_job(store, job.id, SAMPLES / "step")
    file = store.job_file(job.id)
    assert (len(file.recordings), len(file.findings)) == (1, 2)
    assert asked[1]["board_folder"].name == "board"
    assert asked[1]["board_folder"] != SAMPLES / "board"
    find_for_job(store, job.id, SAMPLES / "healthy", phase=Phase.AFTER)
    assert [r.phase for r in store.job_file(job.id).recordings] == [Phase.BEFORE, Phase.AFTER]


def test_earlier_boards_of_the_type_are_told_to_the_analysis(store, asked) -> None:
    old = store.new_job(customer="K", board_type="weir-logger")
    store.add(old.id, [Action(ActionKind.REMOVED, "C18")])
    store.update_job(old.id, version=1, status=Status.CLOSED, outcome=Outcome.REPAIRED)
    job = store.new_job(customer="K", board_type="WEIR-logger")
    find_for_job(store, job.id, SAMPLES / "step")
    assert asked[0]["history"] == {"C18": 1}
    with pytest.raises(StoreError, match="closed"):
        find_for_job(store, old.id, SAMPLES / "step")
