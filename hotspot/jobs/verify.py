"""Verify a repair with what its job holds."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

from hotspot.board import Board
from hotspot.jobs.intake import BOARD, job_readings
from hotspot.jobs.kept import kept_folder
from hotspot.rails.signature import SupplySignature
from hotspot.rails.verdict import judge_readings
from hotspot.rails.verification import (
    Verification,
    compare_findings,
    compare_power_up,
    compare_verdicts,
    verify_repair,
)
from hotspot.store.entries import JobFile, Phase
from hotspot.store.history import faulty_parts
from hotspot.store.jobs import JobStore


def job_board(store: JobStore, file: JobFile) -> Board | None:
    """Return the board pack kept with a job, without its photo; None if there is none."""
    from hotspot.files.boards import load_board

    kept = kept_folder(store.blobs, file.attachments, kind=BOARD) if file.attachments else None
    if kept is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        return load_board(kept.unpack(Path(folder)))


def job_finding(file: JobFile, phase: Phase) -> dict[str, Any] | None:
    """Return the newest finding of a phase as plain data, None if there is none."""
    found = [f for f in file.findings if f.phase is phase]
    return dict(found[-1].data) if found else None


def job_power_up(file: JobFile, phase: Phase) -> SupplySignature | None:
    """Return the newest power-up signature of a phase, None if there is none."""
    found = [t for t in file.triages if t.phase is phase]
    if not found:
        return None
    known = SupplySignature.__dataclass_fields__.keys() - {"notes"}
    numbers = {k: v for k, v in found[-1].data.get("numbers", {}).items() if k in known}
    for name in ("returns", "samples"):
        numbers[name] = int(numbers.get(name, 0))
    return SupplySignature(**numbers)


def verify_job(
    file: JobFile, *, board: Board | None = None, healthy: SupplySignature | None = None
) -> Verification:
    """Return whether the repair held, from everything noted before and after it."""
    before, after = (
        judge_readings(job_readings(file, phase), board=board)
        for phase in (Phase.BEFORE, Phase.AFTER)
    )
    evidence = (
        *compare_verdicts(before, after),
        *compare_findings(
            job_finding(file, Phase.BEFORE),
            job_finding(file, Phase.AFTER),
            removed=faulty_parts(file.actions),
        ),
        *compare_power_up(job_power_up(file, Phase.AFTER), healthy),
    )
    return verify_repair(evidence)
