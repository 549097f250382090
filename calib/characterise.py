"""All that one recording of a scene at rest says about a camera's noise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.frames import FrameStack
from calib.noise import NoiseComponents, measure_noise
from calib.spectrum import (
    AllanDeviation,
    NoiseSpectrum,
    measure_allan,
    measure_spectrum,
    to_series,
)

_FEWEST_FOR_SPECTRUM = 32
# A pixel that varies half as much again as the usual one (and more than four times the scatter of a
# standard deviation from few frames) sees something change, or is bad; more than one in two hundred
# of them is something in the scene.
_MOVING = 0.5
_MOVING_SHARE = 0.005
# White noise has no correlation; beyond a half, averages fall clearly slower than 1/√N from the
# first frames on.
_ALIKE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class NoiseReport:
    """Noise of a recording.

    Attributes
    ----------
    stack
        The frames it comes from.
    parts
        The three-dimensional noise model.
    spectrum
        None under 32 frames.
    allan
        What averaging brings.
    warnings
        What to look at.
    """

    stack: FrameStack
    parts: NoiseComponents
    spectrum: NoiseSpectrum | None
    allan: AllanDeviation
    warnings: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the numbers for JSON; standard deviations in the unit of the values."""
        parts, rate = self.parts, self.stack.rate
        names = (
            "pixel", "row", "column", "frame", "one_frame", "fixed_pixel", "fixed_row",
            "fixed_column",
        )  # fmt: skip
        spectrum, allan = self.spectrum, self.allan
        return {
            "format": 1,
            "unit": self.stack.unit,
            "frames": {"delivered": rate.delivered, "used": parts.frames,
                       "repeated": rate.repeated, "shutter": rate.shutter},
            "rate_hz": {"delivered": rate.delivered_hz, "effective": rate.effective_hz,
                        "effective_sigma": rate.effective_sigma_hz},
            "noise": {n: {"value": getattr(parts, n).value, "sigma": getattr(parts, n).sigma}
                      for n in names},
            "correlation": {"down": parts.correlation[0], "across": parts.correlation[1]},
            "uniform": parts.is_uniform,
            "bad_pixels": int((~self.stack.good).sum()),
            "knee_hz": None if spectrum is None else spectrum.knee_hz,
            "knee_sigma_hz": None if spectrum is None else spectrum.knee_sigma_hz,
            "allan": {"frames": [int(n) for n in allan.frames],
                      "deviation": [float(d) for d in allan.deviation],
                      "worth_frames": allan.worth_frames},
            "warnings": list(self.warnings),
        }  # fmt: skip


def characterise_noise(stack: FrameStack) -> NoiseReport:
    """Measure noise parts, spectrum and averaging in the frames of a scene at rest."""
    parts = measure_noise(stack.values, good=stack.good)
    series = to_series(stack.values, good=stack.good, spread=parts.spread)
    alike = parts.spread[0] * parts.spread[1]
    spectrum = (
        measure_spectrum(series, t_s=stack.t_s) if len(series) >= _FEWEST_FOR_SPECTRUM else None
    )
    return NoiseReport(
        stack=stack,
        parts=parts,
        spectrum=spectrum,
        allan=measure_allan(series, t_s=stack.t_s, alike=alike),
        warnings=(*stack.warnings, *_notes(stack, parts, spectrum)),
    )


def _notes(stack: FrameStack, parts: NoiseComponents, spectrum: NoiseSpectrum | None) -> list[str]:
    notes = []
    if stack.unit != "K":
        notes.append(f"values are {stack.unit}: no temperatures without a calibrated profile")
    if not parts.is_uniform:
        notes.append(
            "the scene is not uniform: what is fixed holds the scene as well (show a lens cap or"
            " a matt plate out of focus for the camera's own pattern)"
        )
    good = parts.map[stack.good]
    limit = 1 + max(_MOVING, 4 / float(np.sqrt(2 * (parts.frames - 1))))
    if np.mean(good > limit * np.median(good)) > _MOVING_SHARE:
        notes.append(
            "part of the picture changes more than the rest: something moved or warmed, and the"
            " noise holds it; record a scene at rest"
        )
    alike = 1 - (parts.one_frame.value / parts.pixel.value) ** 2 if parts.pixel.value > 0 else 0.0
    if alike > _ALIKE:
        notes.append(
            f"noise of successive frames is alike (correlation {alike:.2f}): the camera smooths"
            " over time or wanders fast, and the figure of one frame says too little; read pixel"
        )
    if spectrum is None:
        notes.append(f"{_FEWEST_FOR_SPECTRUM} frames or more would give a spectrum")
    elif not spectrum.is_regular:
        notes.append("frames are spaced unevenly: frequencies are those of the mean spacing")
    if stack.unit == "K" and parts.one_frame.value == 0:
        notes.append("no noise at all: the frames are rounded, filtered or copies")
    return notes
