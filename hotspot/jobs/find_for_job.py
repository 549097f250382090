"""Analyse a recording for a job: with what earlier boards taught, and noted in the job."""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import replace
from pathlib import Path

from hotspot.errors import StoreError
from hotspot.jobs.analysis import Analysis, Progress, analyse_recording, save_evidence
from hotspot.jobs.intake import BOARD, RECORDING, keep_finding, keep_folder, keep_recording
from hotspot.jobs.kept import kept_folder
from hotspot.jobs.rerun import PROGRAM
from hotspot.store.entries import JobFile, Phase, RecordingEntry, Status
from hotspot.store.jobs import JobStore


def find_for_job(
    store: JobStore,
    job_id: int,
    folder: Path,
    *,
    board_folder: Path | None = None,
    rail: str | None = None,
    phase: Phase = Phase.BEFORE,
    out: Path | None = None,
    progress: Progress | None = None,
) -> tuple[Analysis, tuple[Path, ...]]:
    """Return what a recording says, once recording, finding and pictures are kept in the job.

    Parameters
    ----------
    store, job_id
        The job.
    folder
        The recording.
    board_folder
        The board pack; else the one kept with the job, else the one named in the recording.
    rail
        Rail under injection; else as noted in the recording.
    phase
        Before or after the repair.
    out
        Also save the evidence here.
    progress
        Called with the share done and what is being done.

    Returns
    -------
    tuple
        The analysis, and the files saved into `out`.

    Raises
    ------
    hotspot.errors.HotspotError
        If the job is closed or not there, or something cannot be used.
    """
    file = store.job_file(job_id)
    if file.job.status is Status.CLOSED:
        raise StoreError(
            f"job {job_id} is closed",
            where=store.where,
            cure=f"Open it again first: hotspot job reopen {job_id}",
        )
    history = store.fault_history(file.job.board_type, without_job=job_id).counts
    with tempfile.TemporaryDirectory(prefix="hotspot-") as scratch:
        pack = kept_folder(store.blobs, file.attachments, kind=BOARD)
        if board_folder is None and pack is not None:
            board_folder = pack.unpack(Path(scratch) / "board")
        analysis = analyse_recording(
            folder, board_folder=board_folder, rail=rail, history=history, progress=progress
        )
        made = Path(scratch) / "evidence"
        saved: tuple[Path, ...] = ()
        if out is None:
            save_evidence(analysis, made)
        else:  # `out` may hold other files, which are none of the job's business
            saved = save_evidence(analysis, out)
            made.mkdir()
            for path in saved:
                shutil.copy(path, made)
        recording_id = _keep_recording(store, file, folder, phase, analysis.rail or "")
        finding = keep_finding(store, made, phase=phase, recording_id=recording_id)
        store.add(job_id, [replace(finding, program=PROGRAM)])
        if pack is None and board_folder is not None:
            store.add(job_id, keep_folder(store, board_folder, kind=BOARD, phase=phase))
    return analysis, saved


def _keep_recording(store: JobStore, file: JobFile, folder: Path, phase: Phase, rail: str) -> int:
    """Return the number of the recording in the job; the same one is not kept twice."""
    entry: RecordingEntry = replace(keep_recording(store, folder, phase=phase), rail=rail)
    content = {(a.name, a.sha256) for a in entry.files}
    for known in file.recordings:
        if content == {(a.name, a.sha256) for a in known.files if a.kind == RECORDING}:
            return known.id
    return store.add(file.job.id, [entry])[0]
