"""The injection as a function of time: power drive, and what a heated part makes of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.frame import SwitchLog
from hotspot.heat.heatmap import Switching

# Below this share of the largest logged current squared, an "on" entry heats nothing worth fitting.
MIN_DRIVE = 1e-6
# A train must repeat this often before one may speak of a period.
MIN_PULSES = 3
# Cycle times of a train, switched by hand, scatter; more than this and it is no train.
MAX_PERIOD_SCATTER = 0.35


@dataclass(frozen=True, slots=True, eq=False)
class Drive:
    """Heating power over time, piecewise constant, largest value 1.

    Attributes
    ----------
    t_s
        (n,) times at which the level changes, increasing; the level before the first is 0.
    level
        (n,) level from that time on.
    """

    t_s: FloatArray
    level: FloatArray

    def integral(self, t: FloatArray) -> FloatArray:
        """Return the integral of the level from the beginning to `t`, in s."""
        if len(self.t_s) == 0:
            return np.zeros_like(np.asarray(t, dtype=np.float64))
        steps = np.diff(self.t_s) * self.level[:-1]
        at_knots = np.concatenate([[0.0], np.cumsum(steps)])
        index = np.searchsorted(self.t_s, t, side="right") - 1
        inside = index >= 0
        i = np.maximum(index, 0)
        out: FloatArray = np.where(
            inside, at_knots[i] + (np.asarray(t) - self.t_s[i]) * self.level[i], 0.0
        )
        return out

    def lowpass(self, t: FloatArray, *, tau_s: float) -> FloatArray:
        """Return the drive after a first-order low-pass of time constant `tau_s`, at times `t`.

        Exact for a piecewise constant drive: between knots the state relaxes exponentially to the
        level (Incropera & DeWitt, lumped capacitance, eq. 5.6).
        """
        if len(self.t_s) == 0:
            return np.zeros_like(np.asarray(t, dtype=np.float64))
        state = np.zeros(len(self.t_s))
        for i in range(1, len(self.t_s)):
            decay = np.exp(-(self.t_s[i] - self.t_s[i - 1]) / tau_s)
            state[i] = self.level[i - 1] + (state[i - 1] - self.level[i - 1]) * decay
        index = np.searchsorted(self.t_s, t, side="right") - 1
        at = np.maximum(index, 0)
        fading = np.exp(-np.maximum(np.asarray(t) - self.t_s[at], 0.0) / tau_s)
        out: FloatArray = np.where(
            index >= 0, self.level[at] + (state[at] - self.level[at]) * fading, 0.0
        )
        return out


def drive_from_edges(edges_s: tuple[float, ...]) -> Drive:
    """Return the drive of an output that is switched on at the first edge, off at the second."""
    t = np.asarray(edges_s, dtype=np.float64)
    return Drive(t_s=t, level=(np.arange(len(t)) % 2 == 0).astype(np.float64))


def drive_from_log(log: SwitchLog) -> Drive:
    """Return the heating drive of a log: current squared where it is logged, else on or off.

    Joule heating in the short follows the square of the current. A driven supply writes the
    switching first and reads the current a moment later: an entry without a current takes that of
    the next one while the output stays on.
    """
    on = np.asarray(log.on, dtype=bool)
    amps = _filled(np.asarray(log.amps, dtype=np.float64), on=on)
    if np.isfinite(amps[on]).all() and on.any() and float(np.max(amps[on])) > 0:
        level = np.where(on, np.nan_to_num(amps) ** 2, 0.0)
    else:
        level = on.astype(np.float64)
    top = float(level.max()) if len(level) else 0.0
    if top > 0:
        level = level / top
    level[level < MIN_DRIVE] = 0.0
    t = np.asarray(log.t_s, dtype=np.float64)
    if len(level) == 0:
        return Drive(t_s=t, level=level)
    keep = np.concatenate([[True], np.diff(level) != 0])
    return Drive(t_s=t[keep], level=level[keep])


def _filled(amps: FloatArray, *, on: NDArray[np.bool_]) -> FloatArray:
    """Return currents with gaps inside a stretch of on filled from the next, else the last."""
    out = amps.copy()
    for order in (range(len(out) - 2, -1, -1), range(1, len(out))):
        step = 1 if order.step < 0 else -1
        for i in order:
            if on[i] and on[i + step] and not np.isfinite(out[i]):
                out[i] = out[i + step]
    return out


def switching_from_log(log: SwitchLog) -> Switching:
    """Return on/off edges, onset and period of a log."""
    drive = drive_from_log(log)
    on = drive.level > 0
    before = np.concatenate([[False], on[:-1]])
    edges = tuple(float(t) for t in drive.t_s[on != before])
    return Switching(
        source="log",
        edges_s=edges,
        onset_s=edges[0] if edges else None,
        period_s=period_of(edges),
    )


def period_of(edges_s: tuple[float, ...]) -> float | None:
    """Return the period of a pulse train in s, or None where it is a step or no train."""
    ons = np.asarray(edges_s[::2])
    if len(ons) < MIN_PULSES:
        return None
    cycles = np.diff(ons)
    period = float(np.mean(cycles))
    if period <= 0 or float(np.std(cycles)) > MAX_PERIOD_SCATTER * period:
        return None
    return period
