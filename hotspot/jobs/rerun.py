"""Analyse the recordings of many jobs again, in many processes; one bad one never stops the rest.

A finding is written into its job as soon as it is there, so a run that is interrupted goes on
where it stopped: recordings that have a finding of this version are left out.
"""

from __future__ import annotations

import re
import tempfile
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from importlib import import_module
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from hotspot import __version__
from hotspot.errors import HotspotError, InputError
from hotspot.finding import HOT_SPOT
from hotspot.jobs.intake import BOARD, RECORDING
from hotspot.jobs.kept import KeptFolder, kept_folder
from hotspot.store.entries import FindingEntry, JobFile, Phase, RecordingEntry
from hotspot.store.jobs import JobStore

PROGRAM = f"hotspot {__version__}"
# Handed out ahead per process: enough to keep it busy, few enough to look at one by one when a
# process dies and it is not known on which of them.
_AHEAD = 2


@dataclass(frozen=True, slots=True)
class Task:
    """One recording to analyse; can be sent to another process or machine.

    Attributes
    ----------
    job_id, recording_id, name, phase
        Whose it is.
    recording
        Kept files, or the path of a folder left in place.
    board
        Kept board pack, or None.
    rail
        Rail under injection, empty: as noted in the recording.
    previous
        The last answer, "hot spot C17"; empty if there was none.
    history
        Failures by part on this board type, this job left out.
    """

    job_id: int
    recording_id: int
    name: str
    phase: Phase
    recording: KeptFolder | str
    board: KeptFolder | None
    rail: str
    previous: str = ""
    history: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of one recording: a finding as plain data, or the reason why there is none."""

    task: Task
    finding: dict[str, Any] | None
    problem: str = ""


Analyse = Callable[[Task], dict[str, Any]]


def find_in_recording(task: Task) -> dict[str, Any]:
    """Return the finding of a task's recording as plain data."""
    from hotspot.evidence.metadata import build_facts
    from hotspot.jobs.analysis import analyse_recording

    with tempfile.TemporaryDirectory(prefix="hotspot-") as scratch:
        folder = (
            Path(task.recording)
            if isinstance(task.recording, str)
            else task.recording.unpack(Path(scratch) / "recording")
        )
        board = task.board.unpack(Path(scratch) / "board") if task.board else None
        found = analyse_recording(
            folder, board_folder=board, rail=task.rail or None, history=dict(task.history) or None
        )
        return build_facts(found.finding, found.recording, board=found.board, rail=found.rail)


def plan_rerun(store: JobStore, job_ids: Iterable[int], *, again: bool = False) -> tuple[Task, ...]:
    """Return the recordings of these jobs that have no finding of this version.

    Parameters
    ----------
    store
        The job store.
    job_ids
        Which jobs.
    again
        All recordings, also those that this version has analysed.
    """
    tasks = []
    for job_id in job_ids:
        file = store.job_file(job_id)
        done = {f.recording_id for f in file.findings if f.program == PROGRAM}
        wanted = [r for r in file.recordings if again or r.id not in done]
        if wanted:
            history = store.fault_history(file.job.board_type, without_job=job_id).counts
            tasks += [_task(store, file, r, history) for r in wanted]
    return tuple(tasks)


def _task(
    store: JobStore, file: JobFile, recording: RecordingEntry, history: Mapping[str, int]
) -> Task:
    kept = kept_folder(store.blobs, recording.files, kind=RECORDING)
    board = kept_folder(store.blobs, file.attachments, kind=BOARD)
    last = [short_answer(f.data) for f in file.findings if f.recording_id == recording.id]
    return Task(
        job_id=file.job.id,
        recording_id=recording.id,
        name=recording.name,
        phase=recording.phase,
        recording=kept or recording.uri,
        board=board,
        rail=recording.rail,
        previous=last[-1] if last else "",
        history=dict(history),
    )


def rerun(
    store: JobStore,
    tasks: Sequence[Task],
    *,
    workers: int = 1,
    scheduler: str | None = None,
    analyse: Analyse = find_in_recording,
) -> Iterator[Answer]:
    """Analyse the tasks and yield each answer once its finding is in the store.

    Parameters
    ----------
    store, tasks
        Where the findings go, and what to analyse.
    workers
        Processes on this machine.
    scheduler
        Address of a Dask scheduler ("tcp://…"); its workers must reach the store's files.
    analyse
        What is done with a task.
    """
    answers = (
        _on_cluster(tasks, scheduler, analyse)
        if scheduler
        else _on_this_machine(tasks, workers, analyse)
    )
    for answer in answers:
        if answer.finding is not None:
            entry = FindingEntry(
                verdict=str(answer.finding["verdict"]),
                data=answer.finding,
                program=PROGRAM,
                recording_id=answer.task.recording_id,
                phase=answer.task.phase,
            )
            store.add(answer.task.job_id, [entry], also_closed=True)
        yield answer


def short_answer(finding: Mapping[str, Any]) -> str:
    """Return a finding in a few words: "hot spot C17"."""
    verdict, suspects = finding["verdict"], finding.get("suspects")
    return f"{verdict} {suspects[0]['ref']}" if suspects and verdict == HOT_SPOT else str(verdict)


def answer_task(task: Task, analyse: Analyse) -> Answer:
    """Return the answer to one task; whatever goes wrong becomes its `problem`."""
    try:
        return Answer(task, analyse(task))
    except HotspotError as error:
        return Answer(task, None, error.sentence)
    # A defect met in one recording must not stop the other thousand; it is reported by name.
    except Exception as error:
        text = " ".join(str(error).split())
        return Answer(task, None, f"{type(error).__name__}: {text}" if text else repr(error))


def _on_this_machine(tasks: Sequence[Task], workers: int, analyse: Analyse) -> Iterator[Answer]:
    waiting = deque(tasks)
    while waiting:
        doubtful: list[Task] = []
        with _pool(workers) as pool:
            running: dict[Future[Answer], Task] = {}
            while (waiting or running) and not doubtful:
                while waiting and len(running) < workers * _AHEAD:
                    task = waiting.popleft()
                    try:
                        running[pool.submit(answer_task, task, analyse)] = task
                    except BrokenProcessPool:
                        doubtful.append(task)
                        break
                done, _ = wait(running, return_when=FIRST_COMPLETED)
                for future in done:
                    task = running.pop(future)
                    try:
                        yield future.result()
                    except BrokenProcessPool:
                        doubtful.append(task)
            doubtful += running.values()
        # A process died, and took with it whatever was handed out: each again, alone.
        for task in doubtful:
            yield _alone(task, analyse)


def _alone(task: Task, analyse: Analyse) -> Answer:
    with _pool(1) as pool:
        try:
            return pool.submit(answer_task, task, analyse).result()
        except BrokenProcessPool:
            return Answer(task, None, "the analysis was stopped by the system (out of memory?)")


def _pool(workers: int) -> ProcessPoolExecutor:
    # "spawn" on every system: a forked process would share the open database.
    return ProcessPoolExecutor(max_workers=max(1, workers), mp_context=get_context("spawn"))


def _on_cluster(tasks: Sequence[Task], address: str, analyse: Analyse) -> Iterator[Answer]:
    try:
        distributed: Any = import_module("distributed")
    except ModuleNotFoundError as err:
        raise InputError(
            "the distributed engine is not installed",
            where="--scheduler",
            cure='Install it: pip install "hotspot-bench[cluster]"',
        ) from err
    try:
        client = distributed.Client(address, timeout=10)
    except (OSError, ValueError) as err:
        raise InputError(
            f"no scheduler answers at {address}", where="--scheduler", cure="Check the address"
        ) from err
    with client:
        waiting = {
            client.submit(answer_task, task, analyse, pure=False, retries=1): task for task in tasks
        }
        for future in distributed.as_completed(waiting):
            if future.status == "finished":
                yield future.result()
            else:
                problem = "the analysis was stopped on the cluster (out of memory?)"
                yield Answer(waiting[future], None, problem)


def parse_jobs(text: str, store: JobStore) -> tuple[int, ...]:
    """Return the jobs with recordings among "all", "12" or "1-20,25".

    Raises
    ------
    hotspot.errors.InputError
        If it is neither.
    hotspot.errors.StoreError
        If a job named alone does not exist; a range may have gaps.
    """
    recorded = store.recorded_jobs()
    if text.strip().casefold() == "all":
        return recorded
    wanted: set[int] = set()
    for part in text.split(","):
        match = re.fullmatch(r"\s*(\d{1,9})\s*(?:-\s*(\d{1,9})\s*)?", part, re.ASCII)
        if match is None:
            raise InputError(
                f"cannot read {text!r}", where="--jobs", cure="Write all, 12 or 1-20,25"
            )
        first, last = int(match[1]), int(match[2] or match[1])
        if match[2] is None:
            store.job(first)
        wanted |= {n for n in recorded if first <= n <= last}
    return tuple(n for n in recorded if n in wanted)
