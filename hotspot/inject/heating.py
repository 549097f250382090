"""What the supply put in, as its log says: power at the reading, and how it got there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hotspot.checks import FloatArray
from hotspot.frame import SwitchLog
from hotspot.heat.drive import Drive, drive_from_log
from hotspot.inject.plan import InjectionPlan
from hotspot.inject.prediction import Scenery, apparent_rise_k

SOURCE_PLAN, SOURCE_LOG = "plan", "log"
# A finding's rise is read when a part of this time constant is hottest (an ordinary small part).
PART_TAU_S = 1.5
# A fall of the power by less than this share of the highest is meter noise, not the end of a step.
STEP_SHARE = 0.1
SOONEST_S = 0.04  # one frame at 25 Hz: nothing is read earlier after a switching


@dataclass(frozen=True, slots=True)
class Heating:
    """What the supply put in.

    Attributes
    ----------
    duration_s
        How long the output was on before the rise was read (one pulse of a train).
    volts, amps
        Mean at the terminals at the end of that time.
    source
        `SOURCE_LOG` or `SOURCE_PLAN`.
    changes
        (s before the reading, change of the power over the power at the reading), all steps and
        pulses before it; empty: switched on once, `duration_s` before.
    """

    duration_s: float
    volts: float
    amps: float
    source: str
    changes: tuple[tuple[float, float], ...] = ()


def heated_rise_k(scenery: Scenery, heating: Heating) -> float:
    """Return the rise of the brightest pixel for one watt in the part at the reading.

    Everything is linear: each change of the power answers as a switching-on of its own
    (superposition; Carslaw & Jaeger, Conduction of Heat in Solids, sec. 1.14, Duhamel).
    """
    changes = heating.changes or ((heating.duration_s, 1.0),)
    age_s, share = np.array(changes).T
    rise = apparent_rise_k(scenery, t_s=np.maximum(age_s, SOONEST_S))
    return float(np.sum(share * rise))


def measure_heating(log: SwitchLog | None, plan: InjectionPlan) -> Heating:
    """Return what the log says was put in; the plan's last step where it says nothing.

    The rise is read when an ordinary part was hottest, as a finding does: at the end of the
    highest step of a ladder, of the last pulse of an even train. Where volts or amps are not
    logged the plan's operating point stands in.
    """
    last = plan.ladder[-1] if plan.ladder else None
    terminal_v = plan.point.total_w / plan.point.amps if plan.point.amps > 0.0 else 0.0
    hold_s = last.hold_s if last else 0.0
    planned = Heating(hold_s, terminal_v, plan.point.amps, SOURCE_PLAN)
    if log is None or not np.any(log.on):
        return planned
    drive = drive_from_log(log)
    if not np.any(drive.level > 0.0):
        return planned
    read_s = _hottest_s(log, drive)
    if read_s is None:  # a log without an end says nothing of the duration
        read_s = float(drive.t_s[drive.level > 0.0][0]) + hold_s
    before = drive.t_s < read_s
    level = drive.level[before]
    final = _final_level(drive, read_s)
    if final <= 0.0:  # nothing but a flicker is logged
        return planned
    steps = np.diff(level, prepend=0.0) / final
    ages = read_s - drive.t_s[before]
    off = np.flatnonzero(level == 0.0)
    begin = int(off[-1]) + 1 if off.size else 0
    volts, amps = _settled(log, begin_s=float(drive.t_s[begin]), end_s=read_s)
    known = np.isfinite(volts) and np.isfinite(amps)
    return Heating(
        duration_s=read_s - float(drive.t_s[begin]),
        volts=volts if known else terminal_v,
        amps=amps if known else plan.point.amps,
        source=SOURCE_LOG if known else SOURCE_PLAN,
        changes=tuple(zip(ages.tolist(), steps.tolist(), strict=True)),
    )


def _hottest_s(log: SwitchLog, drive: Drive) -> float | None:
    """Return when an ordinary part was hottest, None when the log ends where it begins."""
    falls = np.flatnonzero(np.diff(drive.level) < -STEP_SHARE * float(drive.level.max())) + 1
    ends = drive.t_s[falls].tolist()
    if drive.level[-1] > 0.0:
        ends.append(float(log.t_s[-1]))
    first_s = float(drive.t_s[drive.level > 0.0][0])
    times: FloatArray = np.array([t for t in ends if t > first_s])
    if not times.size:
        return None
    heat = drive.lowpass(times, tau_s=PART_TAU_S)
    # Of equally hot moments the last, when the board around has gathered the most.
    return float(times[np.flatnonzero(heat >= 0.99 * heat.max())[-1]])


def _final_level(drive: Drive, read_s: float) -> float:
    """Return the mean level of the last seconds before `read_s`, within the step it ends."""
    before = drive.t_s < read_s
    level, times = drive.level[before], drive.t_s[before]
    jumps = np.abs(np.diff(level, prepend=0.0)) > STEP_SHARE * float(level.max())
    begin_s = max(float(times[jumps][-1] if jumps.any() else times[0]), read_s - 2.0)
    first, last = drive.integral(np.array([begin_s, read_s]))
    return float((last - first) / (read_s - begin_s))


def _settled(log: SwitchLog, *, begin_s: float, end_s: float) -> tuple[float, float]:
    """Return mean volts and amps while the current was what it was at the end; NaN if unknown."""
    inside = (log.t_s >= begin_s) & (log.t_s < end_s) & np.asarray(log.on, dtype=np.bool_)
    inside &= np.isfinite(log.volts) & np.isfinite(log.amps)
    rows = np.flatnonzero(inside)
    if not rows.size:
        return float("nan"), float("nan")
    final_a = float(np.median(log.amps[rows[-3:]]))
    near = np.abs(log.amps[rows] - final_a) <= STEP_SHARE * abs(final_a)
    apart = np.flatnonzero(~near)
    rows = rows[min(int(apart[-1]) + 1, rows.size - 1) if apart.size else 0 :]
    rows = rows[rows.size // 2 :]  # the later half: the copper has warmed, the supply has settled
    return float(log.volts[rows].mean()), float(log.amps[rows].mean())
