"""A recording folder, read: frames lazily, everything noted with them, and what was amiss."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray, freeze
from hotspot.errors import RecordingError
from hotspot.files.checked import CheckedSource, Container
from hotspot.files.containers import COPY_AGAIN, open_npy
from hotspot.files.pictures import open_pictures
from hotspot.files.profiles import profile_from_table
from hotspot.files.spool import SpooledSource
from hotspot.files.tables import Row, Table, load_table, load_toml
from hotspot.files.tiffs import open_tiff
from hotspot.files.videos import VIDEO_SUFFIXES, VideoSource
from hotspot.frame import Recording, SwitchLog
from hotspot.profile import CameraProfile, Values

FORMAT = 1
# A recorder stopped by hand may lose a frame or a line or two; more than this is a lost file.
FEW_FRAMES = 3
FEW_SHARE = 0.02


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
    t_s, keep = _load_times(
        folder / "frames.csv",
        n_frames=len(container),
        frames_path=container.path,
        profile=profile,
        complete=complete,
        warnings=warnings,
    )
    injection = _load_injection(folder / "injection.csv", warnings=warnings)
    t_s, injection = _from_first_frame(t_s, injection, warnings=warnings)
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
        return open_pictures(path)
    if path.stat().st_size == 0:
        raise RecordingError("is empty", where=str(path), cure=COPY_AGAIN)
    if path.suffix == ".npy":
        return open_npy(path)
    if path.suffix in (".tif", ".tiff"):
        return open_tiff(path)
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
        good = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not good or not np.isfinite(value):
            raise RecordingError(
                f"{key} must be a number, got {str(value)[:40]!r}",
                where=self.where,
                cure="Correct or delete it",
            )
        return float(value)

    def board(self, folder: Path) -> str | None:
        value = self.text("board")
        return None if value is None else str(folder / value)


def _load_times(
    path: Path,
    *,
    n_frames: int,
    frames_path: Path,
    profile: CameraProfile,
    complete: bool,
    warnings: list[str],
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return the time of each frame that is used, and which of the container's frames those are."""
    if n_frames == 0:
        raise RecordingError("holds no whole frame", where=str(frames_path), cure=COPY_AGAIN)
    if not path.is_file() and profile.frame_rate_hz is not None:
        warnings.append(
            f"frames.csv is missing; times are taken from frame_rate_hz = {profile.frame_rate_hz:g}"
        )
        times = np.arange(n_frames) / profile.frame_rate_hz
        return freeze(times), np.ones(n_frames, dtype=np.bool_)
    table = load_table(path, required=("t_s",), error=RecordingError, cut_last_line=not complete)
    if not table.rows:
        raise RecordingError("holds no times", where=str(path), cure=COPY_AGAIN)
    t_s = np.array([table.number(row, "t_s") for row in table.rows])
    _check_order(table, t_s, what="t_s", strict=False)
    keep = _match(table, n_lines=len(t_s), n_frames=n_frames)
    difference = abs(n_frames - len(t_s)) if keep.all() else 0
    if difference:
        text = f"{frames_path.name} holds {n_frames} frames, frames.csv {len(t_s)} times"
        few = max(FEW_FRAMES, FEW_SHARE * max(n_frames, len(t_s)))
        if complete and difference > few:
            raise RecordingError(
                text,
                where=str(frames_path if n_frames < len(t_s) else path),
                cure=f"{COPY_AGAIN}, or set complete = false in recording.toml to use the "
                "part they have in common",
            )
        warnings.append(f"{text}; the first {min(n_frames, len(t_s))} are used")
        keep[min(n_frames, len(t_s)) :] = False
    elif not keep.all():
        warnings.append(
            f"{np.count_nonzero(~keep)} frames without a time in frames.csv are left out"
        )
    repeated = np.count_nonzero(np.diff(t_s) == 0)
    if repeated:
        warnings.append(f"{repeated} frames have the time of the frame before")
    return freeze(t_s[: np.count_nonzero(keep)].copy()), keep


def _match(table: Table, *, n_lines: int, n_frames: int) -> NDArray[np.bool_]:
    """Return which frames have a line; by ``index`` when lines are missing in the middle."""
    keep = np.ones(n_frames, dtype=np.bool_)
    if "index" not in table.columns or n_lines >= n_frames:
        return keep
    index = np.array([table.number(row, "index") for row in table.rows])
    index = index - (1.0 if index[0] == 1 and index[-1] == n_frames else 0.0)  # counted from 1
    whole = bool((index == np.round(index)).all() and (np.diff(index) > 0).all())
    gaps = not np.array_equal(index, np.arange(n_lines))
    if not (whole and gaps and index[0] >= 0 and index[-1] < n_frames):
        return keep
    keep[:] = False
    keep[index.astype(np.int64)] = True
    return keep


def _check_order(table: Table, t_s: FloatArray, *, what: str, strict: bool) -> None:
    steps = np.diff(t_s)
    wrong = np.flatnonzero(steps <= 0 if strict else steps < 0)
    if wrong.size:
        before, row = table.rows[int(wrong[0])], table.rows[int(wrong[0]) + 1]
        raise RecordingError(
            f"{what} {'does not increase' if strict else 'runs back'}: "
            f"{row.cells[what]} after {before.cells[what]}",
            where=table.where(row),
            cure="Correct the times; the lines must be in the order of the recording",
        )


def _load_injection(path: Path, *, warnings: list[str]) -> SwitchLog | None:
    if not path.is_file():
        return None
    table = load_table(path, required=("t_s", "on"), error=RecordingError, cut_last_line=False)
    if not table.rows:
        warnings.append("injection.csv holds no lines; the switching times are found from the heat")
        return None
    t_s = np.array([table.number(row, "t_s") for row in table.rows])
    _check_order(table, t_s, what="t_s", strict=True)
    on = np.array([_switch(table, row) for row in table.rows], dtype=np.bool_)
    volts, amps = (
        np.array(
            [
                np.nan if (v := table.optional_number(row, column)) is None else v
                for row in table.rows
            ]
        )
        for column in ("volts", "amps")
    )
    return SwitchLog(freeze(t_s), freeze(on), freeze(volts), freeze(amps))


_SWITCH_WORDS = {"1": True, "0": False, "true": True, "false": False, "on": True, "off": False}


def _switch(table: Table, row: Row) -> bool:
    text = row.cells["on"].casefold()
    text = text.removesuffix(".0")
    if text not in _SWITCH_WORDS:
        raise RecordingError(
            f"on must be 0 or 1, got '{text[:20]}'", where=table.where(row), cure="Correct it"
        )
    return _SWITCH_WORDS[text]


def _load_landmarks(path: Path) -> FloatArray:
    columns = ("thermal_x_px", "thermal_y_px", "photo_x_px", "photo_y_px")
    if not path.is_file():
        return freeze(np.zeros((0, 4)))
    table = load_table(path, required=columns, error=RecordingError)
    rows = [[table.number(row, c) for c in columns] for row in table.rows]
    return freeze(np.array(rows, dtype=np.float64).reshape(-1, 4))


def _from_first_frame(
    t_s: FloatArray, injection: SwitchLog | None, *, warnings: list[str]
) -> tuple[FloatArray, SwitchLog | None]:
    """Let time begin with the first frame; the log shares the frames' clock unless it cannot."""
    start = float(t_s[0])
    if start == 0.0:
        return t_s, injection
    shifted = freeze(t_s - start)
    if injection is None:
        return shifted, None
    overlaps = injection.t_s[-1] >= start and injection.t_s[0] <= t_s[-1]
    if not overlaps and injection.t_s[0] <= shifted[-1]:
        warnings.append("injection.csv and frames.csv have different clocks; both start at 0 s")
        return shifted, injection
    log = SwitchLog(freeze(injection.t_s - start), injection.on, injection.volts, injection.amps)
    return shifted, log


def _warn_of_nan(source: CheckedSource, warnings: list[str]) -> None:
    """Look at the first frames for values that are no numbers; the rest is met on the way."""
    if source.dtype.kind != "f" or len(source) == 0:
        return
    first = next(iter(source.chunks(4)))
    n = int(np.count_nonzero(np.isnan(first).any(axis=0)))
    if n:
        warnings.append(f"{n} pixels hold no number (NaN) in the first frames and are left out")
