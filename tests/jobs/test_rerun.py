import pytest

from hotspot.errors import InputError
from hotspot.jobs.rerun import PROGRAM, answer_task, parse_jobs, plan_rerun, rerun
from hotspot.store.entries import Action, ActionKind, Attachment, Outcome, RecordingEntry, Status
from tests.jobs.analyses import deadly, fine, picky, unpacking
from tests.jobs.conftest import SAMPLES


@pytest.fixture
def filled(store):
    for n in range(4):
        job = store.new_job(customer=f"K-{n}", board_type="Lamp")
        store.add(job.id, [RecordingEntry(f"r{n}", uri=f"/nowhere/{n}")])
        store.add(job.id, [Action(ActionKind.REMOVED, "C5")])
    store.update_job(1, version=1, status=Status.CLOSED, outcome=Outcome.REPAIRED)
    return store


def test_findings_land_in_their_jobs_also_in_closed_ones(filled) -> None:
    tasks = plan_rerun(filled, parse_jobs("all", filled))
    assert [t.name for t in tasks] == ["r0", "r1", "r2", "r3"]
    assert (dict(tasks[0].history), dict(tasks[1].history)) == ({}, {"C5": 1})
    answers = list(rerun(filled, tasks, workers=2, analyse=fine))
    assert len(answers) == 4
    for n in range(4):
        finding = filled.job_file(n + 1).findings[0]
        assert finding.data["recording"]["name"] == f"r{n}"
        assert (finding.program, finding.recording_id) == (PROGRAM, n + 1)


def test_one_bad_recording_does_not_stop_the_rest_and_is_tried_again(filled) -> None:
    tasks = plan_rerun(filled, range(1, 5))
    answers = {a.task.name: a for a in rerun(filled, tasks, workers=1, analyse=picky)}
    assert answers["r1"].problem == "r1: frames are missing. Record again"
    assert "ZeroDivisionError" in answers["r2"].problem
    assert answers["r3"].finding is not None
    left = plan_rerun(filled, range(1, 5))
    assert [t.name for t in left] == ["r1", "r2"]
    assert len(plan_rerun(filled, range(1, 5), again=True)) == 4


def test_a_process_that_dies_takes_only_its_own_recording_with_it(filled) -> None:
    tasks = plan_rerun(filled, range(1, 5))
    answers = {a.task.name: a for a in rerun(filled, tasks, workers=2, analyse=deadly)}
    assert sorted(answers) == ["r0", "r1", "r2", "r3"]
    assert "stopped by the system" in answers["r1"].problem
    assert [n for n, a in answers.items() if a.finding is None] == ["r1"]


def test_interrupted_it_goes_on_where_it_was(filled) -> None:
    tasks = plan_rerun(filled, range(1, 5))
    running = rerun(filled, tasks, workers=1, analyse=fine)
    done = next(running)
    running.close()
    left = plan_rerun(filled, range(1, 5))
    assert done.task.name not in {t.name for t in left}
    assert len(left) == 3


def test_kept_recordings_are_unpacked_with_their_board(store, tmp_path) -> None:
    from hotspot.jobs.intake import BOARD, keep_folder, keep_recording
    from hotspot.store.entries import Phase

    job = store.new_job(customer="K", board_type="weir-logger")
    kept = keep_recording(store, SAMPLES / "step", phase=Phase.BEFORE)
    pack = keep_folder(store, SAMPLES / "board", kind=BOARD, phase=Phase.BEFORE)
    store.add(job.id, [kept, *pack])
    (task,) = plan_rerun(store, [job.id])
    assert task.rail == "3V3"
    assert {name for name, _ in task.board.files} >= {"board.toml", "parts.csv"}
    assert answer_task(task, unpacking).finding["frames.csv"].startswith("index,t_s")
    next((tmp_path / "files").rglob(kept.files[0].sha256)).unlink()
    assert "missing" in answer_task(task, unpacking).problem


def test_a_name_that_leads_out_of_its_folder_is_refused(store, tmp_path) -> None:
    source = tmp_path / "x"
    source.write_text("x")
    digest, size = store.blobs.put(source)
    job = store.new_job(customer="K")
    for name in ("../../x", "/etc/x", "a/../../x", "C:\\x"):
        store.add(
            job.id, [RecordingEntry(name, files=(Attachment(name, "recording", digest, size),))]
        )
    for task in plan_rerun(store, [job.id]):
        assert "leads out of its folder" in answer_task(task, unpacking).problem


def test_numbers_and_ranges_of_jobs(filled) -> None:
    assert parse_jobs("all", filled) == (1, 2, 3, 4)
    assert parse_jobs("2-9,1", filled) == (1, 2, 3, 4)
    filled.new_job(customer="without a recording")
    assert parse_jobs("all", filled) == (1, 2, 3, 4)
    assert parse_jobs("3", filled) == (3,)
    for bad in ("", "x", "1-", "-3", "1-99999999999"):
        with pytest.raises(InputError):
            parse_jobs(bad, filled)


def test_on_a_cluster(filled) -> None:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
    ) as cluster:
        tasks = plan_rerun(filled, range(1, 5))
        answers = {
            a.task.name: a
            for a in rerun(filled, tasks, scheduler=cluster.scheduler_address, analyse=picky)
        }
    assert [n for n, a in sorted(answers.items()) if a.finding is None] == ["r1", "r2"]
    assert len(filled.job_file(4).findings) == 1


def test_no_scheduler_there(filled) -> None:
    pytest.importorskip("distributed")
    with pytest.raises(InputError, match="no scheduler"):
        list(rerun(filled, plan_rerun(filled, [1]), scheduler="nonsense", analyse=fine))


def test_the_command(cli, tmp_path, monkeypatch) -> None:
    cli("job", "new", "--customer", "K", "--board", SAMPLES / "board")
    cli("job", "add", "1", "--recording", SAMPLES / "step")
    cli("job", "add", "1", "--recording", SAMPLES / "healthy", "--in-place")
    assert cli("rerun", "--jobs", "2-9") == "0 recording(s): 0 analysed, 0 could not be\n"
