"""The first pass over a recording: which frames count, and what each of them suffers from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.frame import Recording
from hotspot.heat.ahead import Converter
from hotspot.heat.badpixels import find_dead, find_flickering, find_offset_pixels
from hotspot.heat.clock import clean_times
from hotspot.heat.display import has_steady_gain
from hotspot.heat.moments import Bump, find_moments
from hotspot.heat.palette import PaletteReader
from hotspot.heat.repeats import find_repeats
from hotspot.heat.scan import Progress, Scan, scan_frames
from hotspot.heat.shutter import ShutterEvent, find_blanks, find_freezes
from hotspot.heat.stripes import measure_stripes

# A pixel without a value in more than this share of the frames is bad; fewer holes are filled.
MISSING_SHARE = 0.2
# A pixel at an end of the scale in most frames tells nothing, unless it got there by heating.
CLIPPED_SHARE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class FrameAudit:
    """What became of each frame.

    Attributes
    ----------
    used
        (n,) bool: carries new information and is usable.
    repeated
        (n,) bool: exact or re-encoded copy of the frame before.
    shutter
        (n,) bool: frozen or blank frame of a shutter event (not counted as repeated).
    moved
        (n,) bool: after a bump, shown shifted against the first frames.
    segment
        (n,) int: running number; per-pixel constants hold within a segment.
    shift_px
        (n, 2) (x, y) by which the content is displaced against the first segment.
    gain, offset
        (n,) display video: value = gain * reference + offset; ones and zeros otherwise.
    t_s
        (n,) mended times, strictly increasing.
    bad
        (rows, cols) bool: bad, blinking, clipped or missing pixels, those of the profile included.
    frame_mean
        (n,) mean of the frame, gain and offset taken off.
    noise
        (row, column, pixel) standard deviation of one frame's noise, value units, from what
        neighbouring lines and pixels do differently from frame to frame: noise that lasts over
        frames or spreads over pixels counts less.
    shutter_events
        The events, in order.
    shutter_steps
        Their times in s.
    bumps
        The moves, in order.
    warnings
        Sentences for the technician.
    """

    used: NDArray[np.bool_]
    repeated: NDArray[np.bool_]
    shutter: NDArray[np.bool_]
    moved: NDArray[np.bool_]
    segment: NDArray[np.intp]
    shift_px: FloatArray
    gain: FloatArray
    offset: FloatArray
    t_s: FloatArray
    bad: NDArray[np.bool_]
    frame_mean: FloatArray
    noise: tuple[float, float, float]
    shutter_events: tuple[ShutterEvent, ...]
    shutter_steps: tuple[float, ...]
    bumps: tuple[Bump, ...] = ()
    warnings: tuple[str, ...] = ()


def audit_frames(
    recording: Recording, *, to_values: Converter, progress: Progress | None = None
) -> FrameAudit:
    """Look at every frame once and say which of them count.

    Parameters
    ----------
    recording
        The recording; its frames are read in chunks, never all at once.
    to_values
        Raw chunk to (n, rows, cols) float32, see `value_converter`.
    progress
        Called with frames done and frames in all.

    Raises
    ------
    ValueError
        If there is no frame, or frames are under 16 pixels a side.
    """
    scan = scan_frames(recording, to_values=to_values, progress=progress)
    n = len(scan)
    t_s, warnings = clean_times(recording.t_s[:n])
    again = find_repeats(scan.energy, scan.exact)
    closed = find_blanks(scan.zones, scan.roughness, t_s)
    still = np.zeros(n, dtype=bool)
    for run in find_freezes(again, t_s):
        (closed if run.certain else still)[run.first : run.end] = True
    used = ~again & ~closed
    noise = measure_stripes(scan.stripes)
    bad, pixel_warnings = find_bad_pixels(scan, recording)
    moments = find_moments(
        scan,
        recording,
        to_values=to_values,
        used=used,
        closed=closed,
        still=still,
        t_s=t_s,
        bad=bad,
    )
    shutter = moments.shutter
    repeated = again & ~shutter
    used &= ~moments.unsettled
    segment = np.zeros(n, np.intp)
    starts = {e.index for e in moments.shutter_events} | {b.index for b in moments.bumps}
    # A camera that was unplugged comes back with other offsets, shutter seen or not.
    starts |= {int(np.searchsorted(t_s, resumed)) for resumed in recording.resumed_s}
    for index in sorted(starts):
        segment[index:] += 1
    shift_px = np.zeros((n, 2))
    for bump in moments.bumps:
        shift_px[bump.index :] += bump.xy_px
    moved = np.asarray(shift_px.any(axis=1))
    gain, offset = scan.gain, scan.offset
    if has_steady_gain(gain[used], offset[used], contrast=float(scan.reference.std())):
        gain, offset = np.ones(n), np.zeros(n)
    notes = [*warnings, *pixel_warnings, *moments.warnings]
    if isinstance(to_values, PaletteReader):
        notes.append(to_values.palette.note)
    if np.count_nonzero(used) < 2 <= n:
        notes.append("all frames are the same picture: the camera stood still")
    return FrameAudit(
        used=used,
        repeated=repeated,
        shutter=shutter,
        moved=moved,
        segment=segment,
        shift_px=shift_px,
        gain=gain,
        offset=offset,
        t_s=t_s,
        bad=bad,
        frame_mean=scan.zones.reshape(n, -1).mean(axis=1).astype(np.float64),
        noise=noise,
        shutter_events=moments.shutter_events,
        shutter_steps=tuple(e.t_s for e in moments.shutter_events),
        bumps=moments.bumps,
        warnings=tuple(notes),
    )


def find_bad_pixels(scan: Scan, recording: Recording) -> tuple[NDArray[np.bool_], tuple[str, ...]]:
    """Return the (rows, cols) mask of bad pixels, and sentences on what was found."""
    n = len(scan)
    shape = scan.reference.shape
    bad = np.zeros(shape, bool)
    for x, y in recording.profile.bad_pixels:
        if 0 <= x < shape[1] and 0 <= y < shape[0]:
            bad[y, x] = True
    heated_to_end = (scan.high > 0) & ~scan.high_at_start
    clipped = (scan.low > CLIPPED_SHARE * n) | ((scan.high > CLIPPED_SHARE * n) & ~heated_to_end)
    flickering = find_flickering(scan.pixels)
    bad |= scan.missing > MISSING_SHARE * n
    bad |= clipped | flickering | find_dead(scan.pixels)
    bad |= find_offset_pixels(scan.reference, noise=scan.reference_noise)
    notes = []
    if (count := int(np.count_nonzero(heated_to_end & ~bad))) > 0:
        notes.append(
            f"{count} pixel{'s' if count > 1 else ''} reach the top of the scale while warming: "
            "their rise is a lower limit"
        )
    if bad.mean() > 0.02:
        notes.append(f"{100 * bad.mean():.1f} % of the pixels are bad")
    return bad, tuple(notes)
