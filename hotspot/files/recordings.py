"""A recording folder, read: frames lazily, everything noted with them, and what was amiss."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray, finite_number, freeze
from hotspot.errors import RecordingError
from hotspot.files.checked import CheckedSource, Container, find_empty
from hotspot.files.containers import COPY_AGAIN, open_npy
from hotspot.files.pictures import open_pictures
from hotspot.files.profiles import profile_from_table
from hotspot.files.spool import SpooledSource
from hotspot.files.tables import load_table, load_toml
from hotspot.files.tiffs import TiffSource, open_tiff
from hotspot.files.times import (
    from_first_frame,
    load_injection,
    load_times,
    without_foreign_log,
)
from hotspot.files.videos import VIDEO_SUFFIXES, VideoSource
from hotspot.frame import Recording
from hotspot.profile import CameraProfile, Values

FORMAT = 1
# Nobody clicks more; each is held against the map of all others.
MAX_LANDMARKS = 500
LANDMARK_COLUMNS = ("thermal_x_px", "thermal_y_px", "photo_x_px", "photo_y_px")


def load_recording(folder: Path) -> Recording:
    """Return the recording in `folder`; its frames are read when they are asked for.

    Parameters
    ----------
    folder
        With ``recording.toml``, ``frames.csv`` and the frames.

    Returns
    -------
    Recording
        With `warnings` for all that the reader had to put up with.

    Raises
    ------
    RecordingError
        Names the file, the line or key, and the cure.
    """
    folder = Path(folder)
    if not folder.is_dir():
        what = "is a file" if folder.exists() else "no such folder"
        raise RecordingError(what, where=str(folder), cure="Give the folder of a recording")
    settings_path = folder / "recording.toml"
    if not settings_path.is_file():
        raise RecordingError(
            "holds no recording.toml", where=str(folder), cure="Give the folder of a recording"
        )
    settings = load_toml(settings_path, error=RecordingError)
    notes = _Notes(settings, path=settings_path)
    profile = profile_from_table(
        settings.get("camera"), folder=folder, where=str(settings_path), error=RecordingError
    )
    complete = notes.complete()
    warnings = notes.warnings
    container = open_frames(folder, profile=profile)
    t_s, keep = load_times(
        folder / "frames.csv",
        n_frames=len(container),
        frames_path=container.path,
        profile=profile,
        complete=complete,
        warnings=warnings,
    )
    injection = load_injection(folder / "injection.csv", complete=complete, warnings=warnings)
    t_s, keep = _without_empty(container, t_s, keep, warnings=warnings)
    resumed_s = notes.resumed_s(first_s=float(t_s[0]))
    t_s, injection = from_first_frame(t_s, injection, warnings=warnings)
    injection = without_foreign_log(t_s, injection, warnings=warnings)
    source = CheckedSource(container, profile=profile, keep=keep)
    _warn_of_nan(source, warnings)
    if not complete:
        warnings.append(
            f"the recording was not closed in order; the {len(t_s)} frames that are there are used"
        )
    return Recording(
        name=folder.resolve().name,
        profile=profile,
        t_s=t_s,
        source=source,
        injection=injection,
        landmarks=_load_landmarks(folder / "landmarks.csv"),
        board=notes.board(folder),
        rail=notes.text("rail"),
        ambient_c=notes.number("ambient_c"),
        started=notes.text("started"),
        complete=complete,
        resumed_s=resumed_s,
        note=notes.text("note") or "",
        warnings=tuple(warnings),
    )


def open_frames(folder: Path, *, profile: CameraProfile) -> Container:
    """Open the frames container of a recording folder.

    Raises
    ------
    RecordingError
        None or several, or not readable.
    """
    names = ["frames.tif", "frames.tiff", "frames.npy", *(f"frames{s}" for s in VIDEO_SUFFIXES)]
    found = [folder / name for name in names if (folder / name).is_file()]
    if (folder / "frames").is_dir():
        found.append(folder / "frames")
    if not found:
        raise RecordingError(
            "holds no frames (frames.tif, frames.mkv, frames.npy or a folder frames/)",
            where=str(folder),
            cure=COPY_AGAIN,
        )
    if len(found) > 1:
        raise RecordingError(
            f"holds {found[0].name} and {found[1].name}", where=str(folder), cure="Keep one of them"
        )
    path = found[0]
    if path.is_dir():
        shape = None if profile.raw_plane else profile.shape
        return SpooledSource(open_pictures(path, shape=shape))
    if path.stat().st_size == 0:
        raise RecordingError("is empty", where=str(path), cure=COPY_AGAIN)
    if path.suffix == ".npy":
        return open_npy(path)
    if path.suffix in (".tif", ".tiff"):
        stack = open_tiff(path)
        return SpooledSource(stack) if isinstance(stack, TiffSource) else stack
    video = VideoSource(
        path, luma=profile.values is Values.GREY8, raw_pairs=profile.raw_plane is not None
    )
    return SpooledSource(video)


class _Notes:
    """The top-level keys of ``recording.toml``."""

    def __init__(self, settings: dict[str, Any], *, path: Path) -> None:
        self.settings = settings
        self.where = str(path)
        self.warnings: list[str] = []
        version = settings.get("format")
        if version is None:
            self.warnings.append("recording.toml has no format key; read as format 1")
        elif version != FORMAT:
            raise RecordingError(
                f"format is {version!r}, this program reads format {FORMAT}",
                where=self.where,
                cure="Update the program",
            )

    def complete(self) -> bool:
        value = self.settings.get("complete", False)
        if not isinstance(value, bool):
            raise RecordingError(
                f"complete must be true or false, got {str(value)[:20]!r}", where=self.where
            )
        return value

    def text(self, key: str) -> str | None:
        value = self.settings.get(key)
        return None if value is None or value == "" else str(value)

    def number(self, key: str) -> float | None:
        value = self.settings.get(key)
        if value is None:
            return None
        number = finite_number(value)
        if number is None:
            raise RecordingError(
                f"{key} must be a number, got {str(value)[:40]!r}",
                where=self.where,
                cure="Correct or delete it",
            )
        return number

    def resumed_s(self, *, first_s: float) -> tuple[float, ...]:
        """Return when the camera was back after it had been away, from the first frame's time."""
        value = self.settings.get("resumed_s", [])
        known = [finite_number(v) for v in value] if isinstance(value, list) else [None]
        found = [v for v in known if v is not None]
        if len(found) < len(known):
            raise RecordingError(
                f"resumed_s must be a list of times, got {str(value)[:40]!r}",
                where=self.where,
                cure="Correct or delete it",
            )
        times = tuple(sorted(v - first_s for v in found))
        if times:
            often = "once" if len(times) == 1 else f"{len(times)} times"
            self.warnings.append(f"the camera was away {often}, and back at {times[0]:.1f} s")
        return times

    def board(self, folder: Path) -> str | None:
        value = self.text("board")
        return None if value is None else str(folder / value)


def _load_landmarks(path: Path) -> FloatArray:
    if not path.is_file():
        return freeze(np.zeros((0, 4)))
    table = load_table(path, required=LANDMARK_COLUMNS, error=RecordingError)
    if len(table.rows) > MAX_LANDMARKS:
        raise RecordingError(
            f"holds {len(table.rows)} landmarks, at most {MAX_LANDMARKS} are used",
            where=str(table.path),
            cure="Keep four to eight",
        )
    rows = [[table.number(row, c) for c in LANDMARK_COLUMNS] for row in table.rows]
    return freeze(np.array(rows, dtype=np.float64).reshape(-1, 4))


def _without_empty(
    container: Container, t_s: FloatArray, keep: NDArray[np.bool_], *, warnings: list[str]
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Leave out frames without a single number: one of them must not cost the recording."""
    empty = find_empty(container) & keep
    if not empty.any():
        return t_s, keep
    count = int(np.count_nonzero(empty))
    where = str(container.path)
    if count == len(t_s):
        raise RecordingError(
            "holds no number, only NaN",
            where=where,
            cure="Export the recording again from the camera's program",
        )
    first = int(np.flatnonzero(empty)[0])
    warnings.append(
        f"{count} frame{'s' if count > 1 else ''} without any number (only NaN) "
        f"{'are' if count > 1 else 'is'} left out, the first is frame {first}"
    )
    return freeze(t_s[~empty[keep]]), keep & ~empty


def _warn_of_nan(source: CheckedSource, warnings: list[str]) -> None:
    """Look at the first frames for values that are no numbers; the rest is met on the way."""
    if source.dtype.kind != "f" or len(source) == 0:
        return
    first = next(iter(source.chunks(4)))
    n = int(np.count_nonzero(np.isnan(first).any(axis=0)))
    if n:
        warnings.append(f"{n} pixels hold no number (NaN) in the first frames and are left out")
