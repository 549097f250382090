"""What the live view says of itself, and what makes it raise the alarm."""

from __future__ import annotations

from dataclasses import dataclass, field

from hotspot.bench.cutout import RISE_FLOOR_K, Sight
from hotspot.bench.suspicion import Suspicion


@dataclass(frozen=True, slots=True, eq=False)
class Bounds:
    """When the live view raises the alarm."""

    max_pixel_c: float = 60.0
    max_rise_k: float | None = None


@dataclass(frozen=True, slots=True)
class LiveState:
    """What is going on, for the screen.

    Attributes
    ----------
    camera, size, rate_hz, fresh_hz, noise, unit
        What the camera gives: name, (columns, rows), frames and really new frames a second, noise
        of one frame, and the unit of the values ("°C" or "levels").
    problem
        What is wrong with the camera, one sentence; empty when all is well.
    t_s
        Time of the last frame.
    baseline
        "none", "taking" or "taken".
    baseline_left_s
        Time the baseline still takes.
    on, since_s
        Output as known (None: not known) and how long.
    alarm
        Why the output must be off, one sentence; empty when all is well.
    recorded, recorded_s, lost
        Frames and seconds on the tape, frames lost; 0 without one.
    tape_says
        What is wrong with the disk, or how long its room lasts when that is not long, one sentence.
    unseen
        Frames since the baseline that the live answer had to leave out: the machine was busy.
    note
        How the camera's numbers are read, one sentence; empty when the profile says it all.
    suspicion
        The answer so far.
    """

    camera: str = ""
    size: tuple[int, int] = (0, 0)
    rate_hz: float = 0.0
    fresh_hz: float = 0.0
    noise: float = 0.0
    unit: str = "°C"
    problem: str = ""
    t_s: float = 0.0
    baseline: str = "none"
    baseline_left_s: float = 0.0
    on: bool | None = None
    since_s: float = 0.0
    alarm: str = ""
    recorded: int = 0
    recorded_s: float = 0.0
    lost: int = 0
    tape_says: str = ""
    unseen: int = 0
    note: str = ""
    suspicion: Suspicion = field(default_factory=Suspicion)


def find_alarm(bounds: Bounds, sight: Sight) -> str:
    """Return why the output must be off, in one sentence; "" when all is well."""
    if sight.hottest_c is not None and sight.hottest_c > bounds.max_pixel_c:
        return f"A pixel shows {sight.hottest_c:.0f} °C, above {bounds.max_pixel_c:.0f} °C"
    if sight.hottest_k is not None and bounds.max_rise_k is not None:
        most_k = max(RISE_FLOOR_K, bounds.max_rise_k)
        if sight.hottest_k > most_k:
            return f"The rise is {sight.hottest_k:.1f} K, above {most_k:.1f} K"
    return ""
