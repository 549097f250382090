"""Moments at which a recording changes at once: shutter events, bumps, spoilt frames."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.frame import Recording
from hotspot.heat.ahead import Converter
from hotspot.heat.motion import find_bump_candidates
from hotspot.heat.pictures import Surroundings, build_windows, read_surroundings
from hotspot.heat.repeats import to_frame_energy
from hotspot.heat.scan import Scan
from hotspot.heat.shift import Shift, measure_shift
from hotspot.heat.shutter import ShutterEvent, find_steps, measure_pattern_change

# Moments looked at on mean pictures: four pictures of memory each. More than this in one
# recording is a camera in somebody's hand, which is said.
MOST_MOMENTS = 16
# Changes this many used frames apart, or closer, are one moment: a knock swings for a while.
TOGETHER = 3
# A frame that stands out alone is spoilt if its difference energy is this many times the usual.
SPOILT_ENERGY = 3.0
THREADS = 2  # a bench laptop has two cores


@dataclass(frozen=True, slots=True)
class Bump:
    """The camera or the board moved.

    Attributes
    ----------
    index
        First frame that shows the new place.
    t_s
        Its time.
    xy_px
        (x, y) by which the content moved, against just before.
    sigma_px
        Standard error of either component.
    """

    index: int
    t_s: float
    xy_px: tuple[float, float]
    sigma_px: float


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """What was found.

    Attributes
    ----------
    shutter_events, bumps
        In order.
    unsettled
        (n,) bool: frames during a move, and single spoilt frames.
    shutter
        (n,) bool: frozen or blank frames of a shutter event.
    warnings
        Sentences.
    """

    shutter_events: tuple[ShutterEvent, ...]
    bumps: tuple[Bump, ...]
    unsettled: NDArray[np.bool_]
    shutter: NDArray[np.bool_]
    warnings: tuple[str, ...]


def find_moments(
    scan: Scan,
    recording: Recording,
    *,
    to_values: Converter,
    used: NDArray[np.bool_],
    closed: NDArray[np.bool_],
    still: NDArray[np.bool_],
    t_s: FloatArray,
    bad: NDArray[np.bool_],
) -> Moments:
    """Find and verify the moments at which offsets, pattern or place change.

    Candidates come from the scan and cost nothing. Only if there are any is the recording read
    again, and mean pictures of both sides decide what happened.

    Parameters
    ----------
    scan, recording, to_values
        The frames, looked at once, and how to read them again.
    used
        (n,) bool: frames that carry something new.
    closed
        (n,) bool: frames for which a shutter was closed.
    still
        (n,) bool: frames of still runs that a closed shutter or the camera's own copies may have
        made; a shutter if the picture changed.
    t_s, bad
        Times, and (rows, cols) pixels that say nothing.
    """
    frames = np.flatnonzero(used)
    unsettled = np.zeros(len(scan), bool)
    level = to_frame_energy(scan.energy)[frames]
    noise = float(np.sqrt(np.median(level[1:]) / 2)) if len(level) > 1 else 0.0
    steps, changes = find_steps(scan.zones[frames], level, noise=noise)
    shutter = closed | still
    after_closed = _after(closed, frames)
    after_still = np.setdiff1d(_after(still, frames), after_closed)
    bumps = find_bump_candidates(scan.probe, scan.edges[frames])
    strength = np.zeros(len(frames))
    strength[changes] = level[changes] / max(2 * noise**2, 1e-12)
    strength[bumps] += 1
    strength[steps] += 1e3
    strength[after_still] += level[after_still] / max(2 * noise**2, 1e-12)
    strength[after_closed] = np.inf
    spans = _merged(strength)
    warnings: list[str] = []
    if len(spans) > MOST_MOMENTS:
        seen = sum(not np.isin(np.arange(a, b + 1), after_still).all() for a, b in spans)
        if seen > MOST_MOMENTS:
            warnings.append(
                f"the picture changes at once {seen} times: the camera or the board is not held "
                f"still; the {MOST_MOMENTS} clearest changes are treated"
            )
        order = sorted(spans, key=lambda s: -float(strength[s[0] : s[1] + 1].max()))
        spans = sorted(order[:MOST_MOMENTS])
    around = (
        read_surroundings(
            recording,
            build_windows(frames, spans),
            to_values=to_values,
            gain=scan.gain,
            offset=scan.offset,
        )
        if spans
        else []
    )
    events: list[ShutterEvent] = []
    confirmed = closed.copy()
    moved: list[Bump] = []
    with ThreadPoolExecutor(THREADS) as pool:
        shifts = list(pool.map(lambda p: _verified_shift(p, noise=noise, bad=bad), around))
    for (first, settled), pictures, shift in zip(spans, around, shifts, strict=True):
        span = np.arange(first, settled + 1)
        if shift is not None:
            index = int(frames[settled])
            xy = (float(shift.xy_px[0]), float(shift.xy_px[1]))
            moved.append(Bump(index, float(t_s[index]), xy, shift.sigma_px))
            unsettled[frames[first:settled]] = True
        was_closed = np.isin(span, np.r_[after_closed, after_still])
        still_run, surely = bool(was_closed.any()), bool(np.isin(span, after_closed).any())
        stepped = bool(np.isin(span, steps).any())
        k = int(span[np.argmax(was_closed)] if still_run else settled)
        event = _shutter_event(scan, frames, k, shutter=shutter, t_s=t_s)
        if pictures is not None:
            pattern = measure_pattern_change(pictures.before, pictures.after)
            # Without a closed shutter shading is a reflection or a warm hand more often than not.
            changed = (pattern.fine or (surely and pattern.shading)) if still_run else pattern.clear
            event = replace(
                event, pattern_rms=pattern.rms, pattern_changed=changed or shift is not None
            )
        if still_run:
            if surely or stepped or (pictures is not None and event.pattern_changed):
                events.append(event)
                confirmed[frames[k - 1] : frames[k]] |= shutter[frames[k - 1] : frames[k]]
        elif shift is None and _is_event(event, stepped, pictures):
            events.append(event)
        elif shift is None and settled > first:
            spoilt = span[:-1][strength[span[:-1]] > SPOILT_ENERGY]
            unsettled[frames[spoilt]] = True
    if unsettled.any():
        count = int(np.count_nonzero(unsettled))
        warnings.append(
            f"{count} frame{'s' if count > 1 else ''} left out: taken during a move, or spoilt"
        )
    return Moments(tuple(events), tuple(moved), unsettled, confirmed, tuple(warnings))


def _after(closed: NDArray[np.bool_], frames: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return which used frames (their numbers in `frames`) follow closed ones."""
    count = np.r_[0, np.cumsum(closed)]
    between = count[frames[1:]] - count[frames[:-1]]
    return np.flatnonzero(between > 0) + 1


def _is_event(event: ShutterEvent, stepped: bool, pictures: Surroundings | None) -> bool:
    """Whether a change without a closed shutter is one of the electronics.

    A global step alone is common to all pixels and harms nothing; a new pattern does.
    """
    return event.pattern_changed if pictures is not None else stepped


def _verified_shift(
    pictures: Surroundings | None, *, noise: float, bad: NDArray[np.bool_]
) -> Shift | None:
    if pictures is None:
        return None
    error = noise / np.sqrt(pictures.frames)
    return measure_shift(pictures.before[1], pictures.after[0], noise=error, bad=bad)


def _merged(strength: FloatArray) -> list[tuple[int, int]]:
    """Return (first changed, settled) spans of candidates that belong together."""
    spans: list[tuple[int, int]] = []
    for k in np.flatnonzero(strength > 0):
        if spans and k - spans[-1][1] <= TOGETHER:
            spans[-1] = (spans[-1][0], int(k))
        else:
            spans.append((int(k), int(k)))
    return spans


def _shutter_event(
    scan: Scan,
    frames: NDArray[np.intp],
    k: int,
    *,
    shutter: NDArray[np.bool_],
    t_s: FloatArray,
) -> ShutterEvent:
    start = int(frames[k])
    before = np.median(scan.zones[frames[max(0, k - 4) : k]], axis=0)
    after = np.median(scan.zones[frames[k : k + 4]], axis=0)
    return ShutterEvent(
        index=start,
        t_s=float(t_s[start]),
        frozen=int(np.count_nonzero(shutter[frames[k - 1] : start])),
        step=float(np.median(after - before)),
    )
