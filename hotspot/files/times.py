"""When frames were taken and when the output was switched: ``frames.csv``, ``injection.csv``."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray, freeze
from hotspot.errors import RecordingError
from hotspot.files.containers import COPY_AGAIN
from hotspot.files.tables import Row, Table, load_table
from hotspot.frame import SwitchLog
from hotspot.profile import CameraProfile

# A recorder stopped by hand may lose a frame or a line or two; more than this is a lost file.
FEW_FRAMES = 3
FEW_SHARE = 0.02


def load_times(
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


def load_injection(path: Path, *, complete: bool, warnings: list[str]) -> SwitchLog | None:
    """Return the log of the output's switchings, None when there is none."""
    if not path.is_file():
        return None
    required = ("t_s", "on")
    try:
        return _switch_log(load_table(path, required=required, error=RecordingError), warnings)
    except RecordingError:
        if complete:
            raise
    # A last line without its end may be cut; one that reads well (written by hand) was kept above.
    cut = load_table(path, required=required, error=RecordingError, cut_last_line=True)
    log = _switch_log(cut, warnings)
    warnings.append("the last line of injection.csv is cut and left out")
    return log


def _switch_log(table: Table, warnings: list[str]) -> SwitchLog | None:
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


def from_first_frame(
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


def without_foreign_log(
    t_s: FloatArray, injection: SwitchLog | None, *, warnings: list[str]
) -> SwitchLog | None:
    """Return the log if it can be of these frames: a clock that is hours off tells nothing.

    A log that begins after the last frame, or that both switches on and ends before the first one,
    is of another time. It is left out with a warning, and the switching is found from the heat.
    """
    if injection is None:
        return None
    begin, end = float(injection.t_s[0]), float(injection.t_s[-1])
    if begin > t_s[-1]:
        off = f"begins {_duration(begin - float(t_s[-1]))} after the last frame"
    elif end < t_s[0] and len(injection.t_s) > 1 and injection.on.any():
        off = f"ends {_duration(float(t_s[0]) - end)} before the first frame"
    else:
        return injection
    warnings.append(
        f"injection.csv {off}: its clock is wrong, or it is of another recording. It is left out, "
        "and the switching is found from the heat; correct t_s to seconds from the first frame"
    )
    return None


def _duration(seconds: float) -> str:
    """Return a time in words that people read at a glance."""
    for unit, length_s in (("days", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= length_s:
            value = seconds / length_s
            return f"{value:.0f} {unit}" if value >= 100 else f"{value:.3g} {unit}"
    return f"{seconds:.3g} s"
