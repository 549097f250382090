"""The heat map: rise above cold in every pixel, with its error."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.frame import Step


@dataclass(frozen=True, slots=True, eq=False)
class Switching:
    """When the injection was on.

    Attributes
    ----------
    source
        "log" (written down while recording), "estimated" (from the frames) or "none".
    edges_s
        Times at which the output changed, first edge switches on.
    onset_s
        First time the output was on, or None.
    period_s
        Period of a pulse train, or None for a step.
    significance
        Chance of finding switching this clear in noise, search included; 0 with a log.
    """

    source: str
    edges_s: tuple[float, ...] = ()
    onset_s: float | None = None
    period_s: float | None = None
    significance: float = 0.0


@dataclass(frozen=True, slots=True)
class FrameCounts:
    """What became of the frames.

    Attributes
    ----------
    total, used
        Frames in all, and those that count.
    repeated, shutter, moved
        Frames that repeat the one before, lie around a shutter event, and were moved back after the
        camera was knocked.
    bad_pixels, blinking_pixels
        Pixels left out: dead or stuck, and such that blink by themselves.
    times_mended, gaps
        Frame times that ran back or were missing, and pauses in which frames were lost.
    noise
        Standard deviation of one frame's noise: pixels, rows, columns; in the unit of the heat.
    """

    total: int
    used: int
    repeated: int = 0
    shutter: int = 0
    moved: int = 0
    bad_pixels: int = 0
    blinking_pixels: int = 0
    times_mended: int = 0
    gaps: int = 0
    noise: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class HeatMap:
    """Rise above cold.

    Attributes
    ----------
    rise_k
        (rows, cols) float32: rise at the end of the injection (of a pulse, for a train), in K; in
        relative units when `unit` is "relative".
    sigma_k
        (rows, cols) float32: standard error of `rise_k`.
    source
        (rows, cols) float32: the deblurred heat source, arbitrary units, for people to look at.
    valid
        (rows, cols) bool.
    cold
        (rows, cols) float32: the cold baseline, °C or relative.
    unit
        "K" or "relative".
    trace_t_s, trace_k
        (n,) time course at the strongest spot, for the plot; empty without a spot.
    trace_fit_k
        (n,) the fitted response at the same times.
    steps
        How it was made.
    """

    rise_k: NDArray[np.float32]
    sigma_k: NDArray[np.float32]
    source: NDArray[np.float32]
    valid: NDArray[np.bool_]
    cold: NDArray[np.float32]
    unit: str = "K"
    trace_t_s: NDArray[np.floating[Any]] = field(default_factory=lambda: np.zeros(0))
    trace_k: NDArray[np.floating[Any]] = field(default_factory=lambda: np.zeros(0))
    trace_fit_k: NDArray[np.floating[Any]] = field(default_factory=lambda: np.zeros(0))
    steps: tuple[Step, ...] = ()
