"""Flat field: offset and gain of each pixel from one or two uniform scenes, and what it brings."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.defects import FALSE_ALARM, Defects, find_defects
from calib.frames import FrameStack, fill_bad
from calib.noise import NoiseComponents, measure_noise
from hotspot.checks import FloatArray, freeze
from hotspot.errors import RecordingError
from hotspot.files.tables import save_bytes

# Gains less certain than this would add more pattern than they take off: 1 % of a rise of 10 K is
# 0.1 K, twice the noise of a frame.
WORST_GAIN = 0.01
FEWEST_FRAMES = 16


@dataclass(frozen=True, slots=True, eq=False)
class FlatField:
    """corrected = gain · value + offset.

    Attributes
    ----------
    gain, offset
        (rows, cols); gain is 1 throughout from one scene.
    gain_sigma, offset_sigma
        Typical standard uncertainty of a pixel's gain, and of its corrected value at the first
        scene, from temporal noise.
    levels
        Mean of each uniform scene, in the unit of the values.
    """

    gain: FloatArray
    offset: FloatArray
    gain_sigma: float
    offset_sigma: float
    levels: tuple[float, ...]

    def apply(self, values: NDArray[Any]) -> NDArray[np.float32]:
        """Return corrected values (..., rows, cols)."""
        out: NDArray[np.float32] = (values * self.gain + self.offset).astype(np.float32)
        return out


def fit_flat_field(
    first: FloatArray,
    second: FloatArray | None = None,
    *,
    good: NDArray[np.bool_] | None = None,
    first_sigma: float = 0.0,
    second_sigma: float = 0.0,
) -> FlatField:
    """Return the flat field of one or two mean pictures of uniform scenes.

    Parameters
    ----------
    first, second
        (rows, cols) means; `second` at another temperature, or None for offsets alone.
    good
        (rows, cols) bool; bad pixels get gain 1 and offset 0 and do not count in the levels.
    first_sigma, second_sigma
        Temporal noise left in a pixel of each mean.

    Raises
    ------
    RecordingError
        The two scenes are too close for the noise.

    Notes
    -----
    Two-point correction: g = (m2 - m1) / (y2 - y1), o = m1 - g y1, with y a pixel's value and m
    the mean of all good pixels (Perry and Dereniak, Opt. Eng. 32 (1993) 1854, from memory).
    """
    mask = np.ones(first.shape, bool) if good is None else good
    level = float(first[mask].mean())
    if second is None:
        offset = np.where(mask, level - first, 0.0)
        ones: FloatArray = np.ones_like(offset)
        return FlatField(freeze(ones), freeze(offset), 0.0, first_sigma, (level,))
    if second.shape != first.shape:
        raise ValueError(f"second must have shape {first.shape}, got {second.shape}")
    other = float(second[mask].mean())
    step = other - level
    noise = float(np.hypot(first_sigma, second_sigma))
    if step == 0 or noise / abs(step) > WORST_GAIN:
        raise RecordingError(
            f"the two scenes differ by {abs(step):.3g} only, with {noise:.2g} of noise left in each"
            " pixel",
            cure="Take scenes 10 K apart or more, or record longer",
        )
    rise = second - first
    alive = mask & (rise * step > 0)
    gain = np.where(alive, step / np.where(alive, rise, 1.0), 1.0)
    offset = np.where(alive, level - gain * first, 0.0)
    return FlatField(freeze(gain), freeze(offset), noise / abs(step), first_sigma, (level, other))


@dataclass(frozen=True, slots=True, eq=False)
class UniformityReport:
    """A flat field, judged on frames that it was not made from.

    Attributes
    ----------
    flat
        Made from the first half of each recording.
    defects
        Bad and blinking pixels.
    before, after
        Noise of the second half of the (first) recording, without and with the flat field.
    picture_before, picture_after
        (rows, cols) its mean, the level taken off, bad pixels filled.
    unit
        Of the values.
    warnings
        What to look at.
    """

    flat: FlatField
    defects: Defects
    before: NoiseComponents
    after: NoiseComponents
    picture_before: FloatArray
    picture_after: FloatArray
    unit: str
    warnings: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the numbers for JSON; standard deviations in the unit of the values."""
        names = ("fixed_pixel", "fixed_row", "fixed_column")
        return {
            "format": 1,
            "unit": self.unit,
            "levels": list(self.flat.levels),
            "gain_sd": float(self.flat.gain.std()),
            "before": {n: getattr(self.before, n).value for n in names},
            "after": {n: getattr(self.after, n).value for n in names},
            "temporal": self.before.pixel.value,
            "defects": self.defects.counts,
            "false_alarm_probability": FALSE_ALARM,
            "bad_pixels": [list(p) for p in self.defects.bad_pixels],
            "warnings": list(self.warnings),
        }


def save_flat_field(flat: FlatField, folder: Path) -> None:
    """Write ``offset.npy`` and ``gain.npy`` (float32): corrected = gain · value + offset."""
    for name, plane in (("offset", flat.offset), ("gain", flat.gain)):
        buffer = io.BytesIO()
        np.save(buffer, plane.astype(np.float32))
        save_bytes(buffer.getvalue(), folder / f"{name}.npy")


def measure_uniformity(first: FrameStack, second: FrameStack | None = None) -> UniformityReport:
    """Make a flat field from one or two recordings of uniform scenes and judge it.

    Raises
    ------
    RecordingError
        Too few frames, scenes too close, or of different cameras.
    """
    stacks = (first,) if second is None else (first, second)
    for stack in stacks:
        if len(stack.values) < FEWEST_FRAMES:
            raise RecordingError(
                f"{len(stack.values)} frames are too few for a flat field",
                cure=f"Record {FEWEST_FRAMES} or more, 200 are better",
            )
        if stack.values.shape[1:] != first.values.shape[1:]:
            raise RecordingError("the two recordings differ in size", cure="Use one camera")
        if stack.unit != first.unit:
            raise RecordingError("the two recordings differ in unit", cure="Use one profile")
    defects = find_defects(first)
    good = defects.good & first.good
    if second is not None:
        defects = defects.merged(find_defects(second))
        good = good & defects.good & second.good
    halves = [len(s.values) // 2 for s in stacks]
    means = [
        s.values[:h].mean(axis=0, dtype=np.float64) for s, h in zip(stacks, halves, strict=True)
    ]
    noise = [measure_noise(s.values[:h], good=good) for s, h in zip(stacks, halves, strict=True)]
    sigmas = [n.pixel.value / np.sqrt(h) for n, h in zip(noise, halves, strict=True)]
    flat = fit_flat_field(
        means[0],
        means[1] if second is not None else None,
        good=good,
        first_sigma=sigmas[0],
        second_sigma=sigmas[1] if second is not None else 0.0,
    )
    rest = np.array(first.values[halves[0] :])
    fill_bad(rest, good)
    corrected = flat.apply(rest)
    fill_bad(corrected, good)
    notes = [*first.warnings, *(second.warnings if second is not None else ())]
    if not all(n.is_uniform for n in noise):
        notes.append(
            "the scene shows structure: it will be taken for the camera's pattern; use a matt plate"
            " out of focus that fills the picture"
        )
    return UniformityReport(
        flat=flat,
        defects=defects,
        before=measure_noise(rest, good=good),
        after=measure_noise(corrected, good=good),
        picture_before=_level_off(rest),
        picture_after=_level_off(corrected),
        unit=first.unit,
        warnings=tuple(dict.fromkeys(notes)),
    )


def _level_off(values: NDArray[np.float32]) -> FloatArray:
    mean: FloatArray = values.mean(axis=0, dtype=np.float64)
    return freeze(mean - np.median(mean))
