"""What the live view needs to know of a job, and what it leaves in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from hotspot.bench.live_state import Bounds
from hotspot.bench.schedule import Schedule, to_schedule, with_cold_and_after
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
# Recorded after the output went off: small parts cool in a second or two, and cooling tells as much
# as warming.
COOLING_S = 10.0


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


def find_schedule(
    file: JobFile, *, rail: str | None, pulse_minutes: float | None = None
) -> Schedule:
    """Return the newest plan of the rail as a run of a supply: its steps, or a pulse train.

    Raises
    ------
    InputError
        If there is no plan for the rail, or it cannot be run.
    """
    for plan in reversed(file.plans):
        if plan.rail == rail and not plan.data.get("refused"):
            schedule = to_schedule(plan.data, where="plan", pulse_minutes=pulse_minutes)
            return with_cold_and_after(schedule, cold_s=0.0, after_s=COOLING_S)
    raise InputError(
        f"there is none for {rail or 'this rail'}", where="plan", cure="Note one on Plan"
    )


def pair_landmarks(
    thermal: Sequence[tuple[float, float]], photo: Sequence[tuple[float, float]]
) -> FloatArray:
    """Return (n, 4) landmarks of points clicked in the same order on both pictures."""
    n = min(len(thermal), len(photo))
    if n == 0:
        return np.zeros((0, 4))
    rows: FloatArray = np.c_[np.array(thermal[:n], float), np.array(photo[:n], float)]
    return rows


def register(landmarks: FloatArray, board: Board | None) -> tuple[Registration | None, str]:
    """Return the registration, or None and why there is none."""
    if len(landmarks) < 3:
        return None, f"{len(landmarks)} of at least 3 landmarks"
    try:
        return fit_registration(landmarks, board), ""
    except RegistrationError as err:
        return None, err.sentence


@dataclass(frozen=True, slots=True)
class Residuals:
    """How well clicked landmarks agree.

    Attributes
    ----------
    rows
        (number, distance of the click from the map of the others in photo px or None, wrong).
    says
        One sentence each.
    rms_px
        Residual in thermal px, None without a map.
    """

    rows: tuple[tuple[int, float | None, bool], ...]
    says: tuple[str, ...]
    rms_px: float | None


def judge_landmarks(landmarks: FloatArray, board: Board | None) -> Residuals:
    """Return how well landmarks agree, and which one is wrong."""
    found, why = register(landmarks, board)
    if found is None or found.photo_from_thermal is None:
        return Residuals(tuple((i + 1, None, False) for i in range(len(landmarks))), (why,), None)
    fitted = found.photo_from_thermal
    apart = fitted.leave_one_out_px or (float("nan"),) * len(landmarks)
    rows = tuple(
        (i + 1, float(d) if np.isfinite(d) else None, i in fitted.outliers)
        for i, d in enumerate(apart)
    )
    return Residuals(rows, found.warnings, found.rms_px)


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
