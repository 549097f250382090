"""A recording as a stack of frames for measuring the camera: copies and shutter events left out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray, freeze
from hotspot.errors import RecordingError
from hotspot.frame import Recording
from hotspot.heat.audit import FrameAudit, audit_frames
from hotspot.heat.values import value_converter
from hotspot.radiometry import has_celsius

# Values held at once: 256 MB of float32. A longer recording is cut, and says so.
MOST_VALUES = 64_000_000
FEWEST_FRAMES = 8
# A frame that lacks more than one pixel in a thousand is torn; up to a tenth of torn frames are
# left out, beyond that the pixels are.
_SINGLE_PIXELS = 1e-3
_FEW_FRAMES = 0.1

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, eq=False)
class FrameStack:
    """Frames that each are a new look at one scene.

    Attributes
    ----------
    values
        (n, rows, cols) float32 in `unit`; bad pixels filled with their neighbours' median.
    t_s
        (n,) time of each.
    good
        (rows, cols) bool.
    unit
        "K" where a difference of values is in kelvin, else "counts" or "grey levels".
    rate
        Of the whole recording.
    warnings
        What was left out and why.
    """

    values: NDArray[np.float32]
    t_s: FloatArray
    good: NDArray[np.bool_]
    unit: str
    rate: FrameRate
    warnings: tuple[str, ...] = ()

    @property
    def mean(self) -> FloatArray:
        """(rows, cols) mean over time."""
        out: FloatArray = self.values.mean(axis=0, dtype=np.float64)
        return out


@dataclass(frozen=True, slots=True)
class FrameRate:
    """How often a camera shows something new.

    Attributes
    ----------
    delivered, distinct, repeated, shutter
        Numbers of frames: all, new looks, copies of the frame before, frozen or blank ones.
    delivered_hz
        Frames a second as delivered.
    effective_hz, effective_sigma_hz
        New looks a second, with the standard uncertainty of counting them.
    """

    delivered: int
    distinct: int
    repeated: int
    shutter: int
    delivered_hz: float
    effective_hz: float
    effective_sigma_hz: float


def read_stack(recording: Recording, *, progress: Progress | None = None) -> FrameStack:
    """Return the longest stretch of a recording between shutter events and bumps.

    Parameters
    ----------
    recording
        Of a scene that does not change; a uniform one for anything spatial.
    progress
        Called with frames done and frames in all, over two passes.

    Raises
    ------
    RecordingError
        Fewer than 8 new frames, or pictures too small.
    """
    total = len(recording.source)
    if min(recording.source.shape[:2]) < 16:
        raise RecordingError(
            "frames are under 16 pixels a side", where=recording.name, cure="Nothing to measure"
        )
    convert = value_converter(recording)

    def first(done: int, of: int) -> None:
        if progress is not None:
            progress(done, 2 * of)

    begin = convert(next(iter(recording.source.chunks(4))))
    if np.isfinite(begin).mean() < 0.5:
        raise RecordingError(
            "most values are no temperatures by this profile: outside its radiance curve, or NaN",
            where=recording.name,
            cure="Give the right --profile, or calibrate: calib points",
        )
    audit = audit_frames(recording, to_values=convert, progress=first)
    chosen = _longest_stretch(audit)
    if (
        len(chosen) < FEWEST_FRAMES <= total
        and audit.repeated.sum() + audit.shutter.sum() > total / 2
    ):
        raise RecordingError(
            f"all but {int(audit.used.sum())} of {total} frames are copies of the one before",
            where=recording.name,
            cure="Check that the camera runs, that nothing is clipped or rounded, and its profile",
        )
    if len(chosen) < FEWEST_FRAMES:
        raise RecordingError(
            f"holds {len(chosen)} new frames in a row, {FEWEST_FRAMES} are needed",
            where=recording.name,
            cure="Record some ten seconds of a scene at rest",
        )
    rows, cols = recording.source.shape[:2]
    most = max(FEWEST_FRAMES, MOST_VALUES // (rows * cols))
    notes = list(audit.warnings)
    if len(chosen) < int(audit.used.sum()):
        notes.append(
            f"{len(chosen)} of {int(audit.used.sum())} new frames are used: the longest stretch"
            " between shutter events or bumps"
        )
    if len(chosen) > most:
        notes.append(f"the first {most} of {len(chosen)} frames are used")
        chosen = chosen[:most]
    values = np.empty((len(chosen), rows, cols), np.float32)
    wanted = np.zeros(total, bool)
    wanted[chosen] = True
    filled = done = 0
    for raw in recording.source.chunks(64):
        pick = np.flatnonzero(wanted[done : done + len(raw)])
        if len(pick):
            values[filled : filled + len(pick)] = convert(raw[pick])
            filled += len(pick)
        done += len(raw)
        if progress is not None:
            progress(total + done, 2 * total)
        if filled == len(chosen):
            break
    good = ~audit.bad
    values, chosen = _without_holes(values, chosen, good)
    good &= np.isfinite(values).all(axis=0)
    if good.mean() < 0.5:
        raise RecordingError(
            f"{1 - good.mean():.0%} of the pixels are bad or clipped",
            where=recording.name,
            cure="Check scale and offset, and that the scene lies within the camera's range",
        )
    fill_bad(values, good)
    profile = recording.profile
    unit = "K" if has_celsius(profile) else "counts" if profile.is_radiometric else "grey levels"
    return FrameStack(
        values=values,
        t_s=freeze(audit.t_s[chosen]),
        good=good,
        unit=unit,
        rate=measure_rate(audit),
        warnings=(*recording.warnings, *notes),
    )


def _without_holes(
    values: NDArray[np.float32], chosen: NDArray[np.intp], good: NDArray[np.bool_]
) -> tuple[NDArray[np.float32], NDArray[np.intp]]:
    """Leave out frames that miss more than single pixels, where those are few frames."""
    holes = ~np.isfinite(values)
    if not holes.any():
        return values, chosen
    share = (holes & good).reshape(len(values), -1).mean(axis=1)
    torn = share > _SINGLE_PIXELS
    if not torn.any() or torn.mean() > _FEW_FRAMES or len(values) - torn.sum() < FEWEST_FRAMES:
        return values, chosen
    return values[~torn], chosen[~torn]


def measure_rate(audit: FrameAudit) -> FrameRate:
    """Return how often the camera shows something new.

    Notes
    -----
    Rate = new frames / time; a pause at the shutter is time without a new frame. Counting: with p
    the share of new frames among n, their number is uncertain by √(n p (1-p)) at most (copies by
    chance), and by half a frame from where the recording begins and ends. Gaps in the times are
    frames lost on the way and count for nothing.
    """
    n = len(audit.t_s)
    repeated, shutter = int(audit.repeated.sum()), int(audit.shutter.sum())
    distinct = n - repeated - shutter
    steps = np.diff(audit.t_s)
    usual = float(np.median(steps)) if len(steps) else 0.0
    ordinary = (steps < 2.5 * usual) | (usual <= 0)
    time_s = float(steps[ordinary].sum())
    if time_s <= 0:
        return FrameRate(n, distinct, repeated, shutter, 0.0, 0.0, 0.0)
    looks = int(np.count_nonzero(~audit.repeated[1:] & ~audit.shutter[1:] & ordinary))
    count = int(np.count_nonzero(ordinary))
    share = looks / count
    sigma = float(np.sqrt(count * share * (1 - share) + 0.25)) / time_s
    return FrameRate(n, distinct, repeated, shutter, count / time_s, looks / time_s, sigma)


def fill_bad(values: NDArray[np.float32], good: NDArray[np.bool_]) -> None:
    """Put the median of the good neighbours (5 x 5) into bad pixels, in place."""
    rows, cols = good.shape
    for r, c in np.argwhere(~good):
        box = np.s_[max(0, r - 2) : min(rows, r + 3), max(0, c - 2) : min(cols, c + 3)]
        around = values[:, *box][:, good[box]]
        values[:, r, c] = (
            np.median(around, axis=1) if around.shape[1] else np.median(values[:, good], axis=1)
        )


def _longest_stretch(audit: FrameAudit) -> NDArray[np.intp]:
    best = np.zeros(0, np.intp)
    for segment in np.unique(audit.segment):
        index = np.flatnonzero(audit.used & (audit.segment == segment))
        if len(index) > len(best):
            best = index
    return best
