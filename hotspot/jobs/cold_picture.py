"""The cold thermal picture that landmarks are clicked on, kept beside the drafts of a job."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.errors import InputError
from hotspot.files.containers import load_plane
from hotspot.files.recordings import load_recording
from hotspot.files.tables import save_bytes
from hotspot.heat.values import value_converter
from hotspot.register.edges import to_thermal_picture

_MOST_BYTES = 64_000_000
_FIRST_FRAMES = 16


def keep_cold(folder: Path, job_id: int, values: NDArray[np.float32]) -> None:
    """Keep a thermal picture (rows, cols) for a job.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    buffer = io.BytesIO()
    np.save(buffer, values.astype(np.float32), allow_pickle=False)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        save_bytes(buffer.getvalue(), folder / f"{int(job_id)}-cold.npy")
    except OSError as err:
        raise InputError(f"cannot be written: {err.strerror}", where=str(folder)) from err


def load_cold(folder: Path, job_id: int) -> NDArray[np.float32] | None:
    """Return the kept thermal picture, None without a usable one."""
    path = folder / f"{int(job_id)}-cold.npy"
    try:
        if path.stat().st_size > _MOST_BYTES:
            return None
        plane = load_plane(path, cure="")
    except (OSError, InputError):
        return None
    return plane if min(plane.shape) > 1 else None


def first_picture(folder: Path) -> NDArray[np.float32]:
    """Return the mean of the first frames of a recording.

    Raises
    ------
    hotspot.errors.RecordingError
        If it cannot be used.
    """
    recording = load_recording(folder)
    to_values = value_converter(recording)
    first = next(iter(recording.source.chunks(_FIRST_FRAMES)))
    mean: NDArray[np.float32] = to_values(first).mean(axis=0).astype(np.float32)
    return mean


def to_png(values: NDArray[np.float32]) -> bytes:
    """Return a thermal picture as a PNG in which edges are easy to see: stripes off, grey."""
    picture = to_thermal_picture(values.astype(np.float64))
    low, high = float(picture.min()), float(picture.max())
    grey = np.clip((picture - low) * (255.0 / max(high - low, 1e-9)), 0, 255).astype(np.uint8)
    even = cv2.createCLAHE(clipLimit=2.0, tileGridSize=(6, 8)).apply(grey)
    return bytes(cv2.imencode(".png", even)[1].tobytes())
