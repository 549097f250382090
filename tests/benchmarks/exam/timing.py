"""When frames come and when the supply is on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Clock:
    """True and noted times of the frames that were kept, and their slot on the camera's clock."""

    slot: NDArray[np.int64]
    true_s: NDArray[np.float64]
    noted_s: NDArray[np.float64]
    n_slots: int


@dataclass(frozen=True)
class Drive:
    """Power steps (time, +1 or -1), the period if there is one, whether a log was kept."""

    edges: tuple[tuple[float, float], ...]
    period_s: float | None
    logged: bool

    def is_on(self, t_s: NDArray) -> NDArray[np.bool_]:
        """Return whether the supply was on at each time."""
        return sum((t_s >= at) * change for at, change in self.edges) > 0.5


def draw_clock(
    *, duration_s: float, rate_hz: float, drop: float, jitter_s: float, rng: np.random.Generator
) -> Clock:
    """Return frame times: some frames missing (alone and in runs), noted times uneven."""
    n = int(duration_s * rate_hz)
    true = np.arange(n) / rate_hz * (1 + rng.normal(0, 2e-4))
    keep = rng.uniform(size=n) >= drop
    if drop > 0 and rng.uniform() < 0.5:  # a hiccup of the host
        at = int(rng.uniform(0.1, 0.9) * n)
        keep[at : at + int(rng.integers(2, 1 + max(3, int(0.8 * rate_hz))))] = False
    keep[0] = True
    slot = np.flatnonzero(keep)
    late = np.abs(rng.normal(0, jitter_s, n))
    late += (rng.uniform(size=n) < 0.01) * rng.uniform(0, 3 * jitter_s, n)
    noted = np.maximum.accumulate(true[slot] + late[slot]) + 1e-5 * np.arange(len(slot))
    return Clock(slot, true[slot] - true[0], noted - noted[0], n)


def draw_step(*, duration_s: float, logged: bool, rng: np.random.Generator) -> Drive:
    """Return one step, switched off again before the end or not."""
    on = (
        rng.uniform(0.15, 0.33) * duration_s
        if duration_s < 60
        else rng.uniform(6, 0.3 * duration_s)
    )
    edges = [(float(on), 1.0)]
    if rng.uniform() < 0.45:
        edges.append((float(rng.uniform(0.65, 0.95) * duration_s), -1.0))
    return Drive(tuple(edges), None, logged)


def draw_pulses(*, duration_s: float, logged: bool, rng: np.random.Generator) -> Drive:
    """Return a pulse train; by hand each half period wanders by 5 to 15 %."""
    half = rng.uniform(2.5, 8.0)
    wander = rng.uniform(0.05, 0.15) if not logged or rng.uniform() < 0.5 else 0.0
    t = float(rng.uniform(3, 9))
    edges = []
    sign = 1.0
    while t < duration_s - 1.0:
        edges.append((t, sign))
        sign = -sign
        t += half * max(0.4, 1 + wander * float(rng.normal()))
    return Drive(tuple(edges), 2 * half, logged)
