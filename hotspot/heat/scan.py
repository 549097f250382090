"""One streaming pass over a recording: a few numbers a frame, a few planes a recording.

Everything that hygiene later decides (repeats, shutter events, bumps, bad pixels, stripes) is
decided from what this pass keeps, so its memory is bounded: under 2 kB a frame and some twenty
planes of the picture's size, whatever the length.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.frame import Recording
from hotspot.heat.ahead import Converter, read_ahead
from hotspot.heat.badpixels import PixelStatistics, find_offset_pixels
from hotspot.heat.display import GainProbe
from hotspot.heat.motion import EdgeProbe, fit_edge_probe
from hotspot.heat.stripes import StripeStatistics

# Zones a side: enough that a hand or a hot part fills a minority, and each zone still averages
# over 80 pixels of the smallest camera (80 x 60).
ZONES = 8
# Frames read at a time.
CHUNK = 64
# First distinct frames that make the reference picture: few, so that an early bump or shutter
# event is unlikely to lie among them, and enough to lower the noise of the edges 2.8 times.
REFERENCE_FRAMES = 8
# Values at an end of the 8-bit scale are clipped and do not count as structure.
DISPLAY_ENDS = (0.5, 254.5)
# Differences of less energy than this share of the chunk's usual look are copies, not noise.
COPY_SHARE = 0.4

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, eq=False)
class Scan:
    """What one pass over the frames keeps.

    Attributes
    ----------
    zones
        (n, ZONES, ZONES) float32 mean of each zone, gain removed.
    energy
        (n, ZONES, ZONES) float32 variance within each zone of the difference to the frame before;
        0 for the first.
    exact
        (n,) bool, all pixels equal to the frame before.
    roughness
        (n,) float32 mean square of each frame's fine structure along rows (on every fourth row).
    edges
        (n, zones, 2) float32 projections on the reference's gradients (`EdgeProbe`), or width 0.
    probe
        The edge probe.
    gain, offset
        (n,) float64, display video only, else ones and zeros.
    gain_residual
        (n,) float64 rms of what gain and offset leave, relative units; zeros otherwise.
    pixels, stripes
        Per-pixel and per-line statistics of differences.
    missing
        (rows, cols) int32: frames in which the pixel was NaN or infinite.
    low, high
        (rows, cols) int32: frames in which the raw value lay at the bottom or top of its scale.
    high_at_start
        (rows, cols) bool: at the top in most of the reference frames.
    reference, reference_noise
        (rows, cols) float32 mean of the first distinct frames, and a pixel's noise in it.
    """

    zones: NDArray[np.float32]
    energy: NDArray[np.float32]
    exact: NDArray[np.bool_]
    roughness: NDArray[np.float32]
    edges: NDArray[np.float32]
    probe: EdgeProbe
    gain: FloatArray
    offset: FloatArray
    gain_residual: FloatArray
    pixels: PixelStatistics
    stripes: StripeStatistics
    missing: NDArray[np.int32]
    low: NDArray[np.int32]
    high: NDArray[np.int32]
    high_at_start: NDArray[np.bool_]
    reference: NDArray[np.float32]
    reference_noise: float

    def __len__(self) -> int:
        """Return the number of frames."""
        return len(self.exact)


def to_zones(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the (ZONES, ZONES) means of a picture; up to ZONES - 1 last lines are left out."""
    rows, cols = picture.shape[0] // ZONES * ZONES, picture.shape[1] // ZONES * ZONES
    out: NDArray[np.float32] = np.asarray(
        cv2.resize(picture[:rows, :cols], (ZONES, ZONES), interpolation=cv2.INTER_AREA)
    )
    return out


def scan_frames(
    recording: Recording, *, to_values: Converter, progress: Progress | None = None
) -> Scan:
    """Read all frames once.

    Parameters
    ----------
    recording
        The recording; `recording.source` is read once, in chunks.
    to_values
        Chunk of raw frames to (n, rows, cols) float32.
    progress
        Called with frames done and frames in all.

    Raises
    ------
    ValueError
        If the recording holds no frame, or pictures under 2 * ZONES pixels a side.
    """
    n = len(recording.source)
    rows, cols = recording.source.shape[:2]
    if n == 0:
        raise ValueError("recording must hold at least 1 frame, got 0")
    if min(rows, cols) < 2 * ZONES:
        raise ValueError(f"frames must be at least {2 * ZONES} px a side, got {cols} x {rows}")
    state: _Pass | None = None
    done = 0
    for raw, values in read_ahead(recording, to_values=to_values, size=CHUNK):
        if state is None:
            state = _Pass(n, raw, values, is_display=not recording.profile.is_radiometric)
        state.add(raw, values, first=done)
        done += len(raw)
        if progress is not None:
            progress(done, n)
    if state is None or done != n:
        raise ValueError(f"source must give the {n} frames it announces, got {done}")
    return state.scan()


class _Pass:
    def __init__(
        self, n: int, raw: NDArray[Any], values: NDArray[np.float32], *, is_display: bool
    ) -> None:
        shape = values.shape[1:]
        self.is_float = raw.dtype.kind == "f"
        self.missing = np.zeros(shape, np.int32)
        self.low = np.zeros(shape, np.int32)
        self.high = np.zeros(shape, np.int32)
        self.fill = 0.0
        picked = _first_distinct(values)
        if self.is_float or not np.isfinite(values).all():
            finite = np.isfinite(picked)
            self.fill = float(np.median(picked[finite])) if finite.any() else 0.0
            picked = np.where(finite, picked, np.float32(self.fill))
        self.gains = GainProbe.build(picked[0], ends=DISPLAY_ENDS) if is_display else None
        if self.gains is not None:
            picked = np.stack([self._corrected(p)[0] for p in picked])
        self.reference: NDArray[np.float32] = picked.mean(axis=0, dtype=np.float32)
        noise = float((picked[1:] - picked[:-1]).std()) if len(picked) > 1 else 0.0
        self.reference_noise = noise / float(np.sqrt(2 * len(picked)))
        self.probe = fit_edge_probe(
            self.reference,
            zones=ZONES,
            noise=self.reference_noise,
            bad=find_offset_pixels(self.reference, noise=self.reference_noise),
        )
        self.zones = np.zeros((n, ZONES, ZONES), np.float32)
        self.energy = np.zeros((n, ZONES, ZONES), np.float32)
        self.exact = np.zeros(n, bool)
        self.roughness = np.zeros(n, np.float32)
        self.edges = np.zeros((n, self.probe.zone_count, 2), np.float32)
        self.gain, self.offset, self.residual = np.ones(n), np.zeros(n), np.zeros(n)
        self.pixels = PixelStatistics.build(shape)
        self.stripes = StripeStatistics.build(shape)
        self.previous: NDArray[np.float32] | None = None
        self.high_at_start = np.zeros(shape, bool)
        self.difference = np.empty((min(CHUNK, n), *shape), np.float32)
        self.square = np.empty(shape, np.float32)

    def _corrected(
        self, picture: NDArray[np.float32]
    ) -> tuple[NDArray[np.float32], float, float, float]:
        if self.gains is None:
            return picture, 1.0, 0.0, 0.0
        gain, offset, residual = self.gains.measure(picture)
        return (picture - np.float32(offset)) / np.float32(gain), gain, offset, residual

    def add(self, raw: NDArray[Any], values: NDArray[np.float32], *, first: int) -> None:
        self._count_ends(raw, values, first=first)
        level: list[float] = []  # of the differences that go into the pixel statistics
        for k in range(len(values)):
            i = first + k
            v = values[k]
            if self.is_float or not np.isfinite(v.ravel()[:: v.size // 16]).all():
                bad = ~np.isfinite(v)
                if bad.any():
                    self.missing += bad
                    v = np.where(bad, np.float32(self.fill), v)
            if self.gains is not None:
                v, self.gain[i], self.offset[i], self.residual[i] = self._corrected(v)
            v = np.ascontiguousarray(v)
            self.zones[i] = to_zones(v)
            strip = v[::4]
            rough = strip[:, 1:] - strip[:, :-1]
            self.roughness[i] = cv2.norm(rough, cv2.NORM_L2SQR) / rough.size
            self.edges[i] = self.probe.project(v)
            if self.previous is not None:
                change = self.zones[i] - self.zones[i - 1]
                step = _median(change)
                d = self.difference[len(level)]
                cv2.subtract(v, self.previous, d)
                if step:
                    np.subtract(d, np.float32(step), out=d)
                # Changes as smooth as a zone (shading that drifts) are not noise.
                cv2.multiply(d, d, self.square)
                power = to_zones(self.square) - (change - np.float32(step)) ** 2
                self.energy[i] = np.maximum(power, 0)
                self.exact[i] = step == 0 and not change.any() and np.array_equal(v, self.previous)
                if not self.exact[i]:
                    level.append(_median(self.energy[i]))
            self.previous = v
        if level:
            levels = np.array(level)
            # Copies encoded again are no differences between two looks at the scene.
            looks = np.flatnonzero(levels > COPY_SHARE * np.quantile(levels, 0.9))
            self.pixels.add(self.difference, looks, levels)
            self.stripes.add(self.difference[looks[::4]])

    def _count_ends(self, raw: NDArray[Any], values: NDArray[np.float32], *, first: int) -> None:
        if raw.dtype.kind == "f":
            return
        if raw.ndim == 4:
            lowest, highest = DISPLAY_ENDS
            low, high = values <= lowest, values >= highest
        else:
            top = np.iinfo(raw.dtype).max
            if first and raw.min() > 0 and raw.max() < top:
                return
            low, high = raw == 0, raw == top
        if low.any():
            self.low += low.sum(axis=0, dtype=np.int32)
        if high.any():
            self.high += high.sum(axis=0, dtype=np.int32)
        if first == 0:
            self.high_at_start = high[:REFERENCE_FRAMES].mean(axis=0) > 0.5

    def scan(self) -> Scan:
        return Scan(
            zones=self.zones,
            energy=self.energy,
            exact=self.exact,
            roughness=self.roughness,
            edges=self.edges,
            probe=self.probe,
            gain=self.gain,
            offset=self.offset,
            gain_residual=self.residual,
            pixels=self.pixels,
            stripes=self.stripes,
            missing=self.missing,
            low=self.low,
            high=self.high,
            high_at_start=self.high_at_start,
            reference=self.reference,
            reference_noise=self.reference_noise,
        )


def _median(values: NDArray[np.float32]) -> float:
    """Median of a few dozen values; numpy's own costs 100 µs a call, more than a frame has."""
    ordered = np.sort(values, axis=None)
    half = len(ordered) // 2
    return float(ordered[half] + ordered[~half]) / 2


def _first_distinct(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return up to REFERENCE_FRAMES frames of the first chunk, no two neighbours equal."""
    chosen = [0]
    for k in range(1, len(values)):
        if not np.array_equal(values[k], values[chosen[-1]], equal_nan=True):
            chosen.append(k)
        if len(chosen) == REFERENCE_FRAMES:
            break
    return values[chosen]
