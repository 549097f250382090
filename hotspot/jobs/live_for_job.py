"""What the live view needs to know of a job, and what it leaves in it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from hotspot.bench.live_state import Bounds
from hotspot.bench.suspicion import Case
from hotspot.board import Board
from hotspot.checks import FloatArray
from hotspot.errors import InputError, RegistrationError
from hotspot.register.from_landmarks import fit_registration
from hotspot.register.registration import Registration
from hotspot.store.entries import JobFile
from hotspot.store.jobs import JobStore

# Without a plan: warm enough to burn a finger is the end (ISO 13732-1, bare metal, some seconds).
DEFAULT_MAX_C = 60.0


def to_case(
    store: JobStore, file: JobFile, *, board: Board | None, rail: str | None, landmarks: FloatArray
) -> Case:
    """Return what live frames are held against."""
    return Case(
        board=board,
        rail=rail or None,
        landmarks=landmarks,
        history=store.fault_history(file.job.board_type, without_job=file.job.id).counts,
    )


def to_bounds(file: JobFile, *, rail: str | None) -> Bounds:
    """Return when to raise the alarm: as the newest plan of the rail says."""
    for plan in reversed(file.plans):
        cut = plan.data.get("cut_out") or {}
        if plan.rail == rail and not plan.data.get("refused") and cut:
            return Bounds(float(cut["max_pixel_c"]), float(cut["max_rise_k"]))
    return Bounds(DEFAULT_MAX_C)


def find_set_point(file: JobFile, *, rail: str | None) -> tuple[float, float] | None:
    """Return (V, A) of the newest plan of the rail; None without one."""
    for plan in reversed(file.plans):
        if plan.rail == rail and not plan.data.get("refused"):
            return float(plan.data["set_v"]), float(plan.data["limit_a"])
    return None


def to_landmarks(rows: object) -> FloatArray:
    """Return kept landmarks as (n, 4); anything else counts as none."""
    try:
        array = np.asarray(rows, dtype=np.float64).reshape(-1, 4)
    except (TypeError, ValueError):
        return np.zeros((0, 4))
    return array if np.isfinite(array).all() else np.zeros((0, 4))


def register(landmarks: FloatArray, board: Board | None) -> tuple[Registration | None, str]:
    """Return the registration, or None and why there is none."""
    if len(landmarks) < 3:
        return None, f"{len(landmarks)} of at least 3 landmarks"
    try:
        return fit_registration(landmarks, board), ""
    except RegistrationError as err:
        return None, err.sentence


def new_recording_folder(root: Path, job_id: int) -> Path:
    """Return a folder for a recording that nothing lies in yet.

    Raises
    ------
    InputError
        If it cannot be made.
    """
    stamp = f"{datetime.now(UTC):%Y%m%d-%H%M%S-%f}"
    folder = root / "recordings" / f"job{job_id}-{stamp}"
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise InputError(f"cannot be made: {err.strerror}", where=str(folder.parent)) from err
    return folder
