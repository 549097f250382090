"""What is set when: a plan as a ladder or a pulse train, from a plan or its JSON."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from hotspot.devices.supply import Bounds
from hotspot.errors import InputError
from hotspot.inject.plan import InjectionPlan
from hotspot.inject.report import DELTA_TIMES, plan_to_dict

STEADY_S = 160.0  # heat capacity over film coefficient of a 1.6 mm board (Incropera ch. 5)
MAX_PULSE_MINUTES = 60.0
MAX_HOLD_S = 600.0
_MAKE = "Make it with: hotspot plan … --json > plan.json"
_MOST_BYTES = 1 << 20  # a plan takes some kilobytes


@dataclass(frozen=True, slots=True)
class Segment:
    """One stretch of time with one setting.

    Attributes
    ----------
    on
        Output state.
    set_v, limit_a
        Set point.
    length_s
        Duration.
    fault_w
        Power the short should take.
    mode
        What the supply should hold: "current" or "voltage".
    """

    on: bool
    set_v: float
    limit_a: float
    length_s: float
    fault_w: float
    mode: str = "current"


@dataclass(frozen=True, slots=True)
class Schedule:
    """A run: what to do and when to cut out.

    Attributes
    ----------
    segments
        In order.
    bounds
        For the supply.
    limit_v, limit_a
        Smallest voltage and current limit of the plan: read-back above them is a fault.
    max_pixel_c
        Hottest allowed pixel.
    rise_factor
        Measured over predicted rise at which the output goes off.
    curve_s, curve_k_w
        Predicted apparent rise per watt after switching on.
    """

    segments: tuple[Segment, ...]
    bounds: Bounds
    limit_v: float
    limit_a: float
    max_pixel_c: float
    rise_factor: float
    curve_s: tuple[float, ...]
    curve_k_w: tuple[float, ...]

    @property
    def length_s(self) -> float:
        """Duration of the whole run."""
        return sum(segment.length_s for segment in self.segments)

    def rise_per_watt_k(self, t_s: float) -> float:
        """Return the predicted apparent rise per watt `t_s` after switching on."""
        if t_s <= 0.0:
            return 0.0
        # Before the first node the node's own value: a cut-out must not trip on early heat.
        return float(np.interp(math.log(t_s), np.log(self.curve_s), self.curve_k_w))


def build_ladder(plan: InjectionPlan) -> Schedule:
    """Return the ladder of a plan as a run.

    Raises
    ------
    InputError
        If the plan is refused.
    """
    return to_schedule(plan_to_dict(plan), where="plan")


def build_pulse_train(plan: InjectionPlan, *, minutes: float) -> Schedule:
    """Return a pulse train at the plan's set point: half the period on, half off.

    Raises
    ------
    InputError
        If the plan is refused.
    ValueError
        If `minutes` is out of range.
    """
    return to_schedule(plan_to_dict(plan), where="plan", pulse_minutes=minutes)


def load_schedule(path: Path, *, pulse_minutes: float | None = None) -> Schedule:
    """Read a plan from the JSON of ``hotspot plan --json`` and return it as a run.

    Raises
    ------
    InputError
        If the file is not such a plan, or the plan is refused.
    """
    return to_schedule(_load(path), where=str(path), pulse_minutes=pulse_minutes)


def load_fault_ohm(path: Path) -> float:
    """Return the resistance of the short that a plan's JSON expects, for a practice bench.

    Raises
    ------
    InputError
        If the file is not such a plan.
    """
    try:
        return _number(_load(path)["expected"], "fault_ohm")
    except (KeyError, TypeError, ValueError) as err:
        raise InputError(_what_is_wrong(err), where=str(path), cure=_MAKE) from err


def _what_is_wrong(err: KeyError | TypeError | ValueError) -> str:
    if isinstance(err, KeyError):
        return f"not a plan: it has no '{err.args[0]}'"
    if isinstance(err, ValueError):
        return f"not a plan: {err}"
    return "not a plan: its parts are not where a plan has them"


def _load(path: Path) -> Any:
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise ValueError("too large")
        return json.loads(path.read_text(encoding="utf-8"))
    except OSError as err:
        why = err.strerror or "cannot be read"
        raise InputError(why, where=str(path), cure=_MAKE) from err
    except (ValueError, RecursionError) as err:
        raise InputError("not a plan", where=str(path), cure=_MAKE) from err


def to_schedule(data: Any, *, where: str, pulse_minutes: float | None = None) -> Schedule:
    """Return plain plan data as a run, every number checked against the plan's own limits.

    Raises
    ------
    InputError
        If a key is missing, a number is absurd or a step is beyond a limit.
    ValueError
        If `pulse_minutes` is out of range.
    """
    if pulse_minutes is not None and not 0.0 < pulse_minutes <= MAX_PULSE_MINUTES:
        raise ValueError(f"minutes must be in 0 to {MAX_PULSE_MINUTES:g}, got {pulse_minutes!r}")
    try:
        if data["refused"] is not None:
            raise InputError(f"the plan is refused: {data['refused']}", where=where)
        steps = [
            Segment(
                on=True,
                set_v=_number(step, "set_v"),
                limit_a=_number(step, "limit_a"),
                length_s=_number(step, "hold_s"),
                fault_w=_number(step, "fault_w"),
                mode=str(step["mode"]),
            )
            for step in data["ladder"]
        ]
        smallest = {
            quantity: min(_number(x, "value") for x in data["limits"] if x["quantity"] == quantity)
            for quantity in ("volts", "amps", "watts")
        }
        expected, cut_out = data["expected"], data["cut_out"]
        seen = [_number(expected["apparent_delta_k"], key) for key in DELTA_TIMES]
        fault_w = _number(expected["power_w"], "fault")
        period_s = _number(expected, "pulse_period_s")
        max_pixel_c = _number(cut_out, "max_pixel_c")
        rise_factor = _number(cut_out, "max_rise_factor")
    except (KeyError, TypeError, ValueError) as err:
        raise InputError(_what_is_wrong(err), where=where, cure=_MAKE) from err
    if not steps or fault_w <= 0.0 or max(step.length_s for step in steps) > MAX_HOLD_S:
        raise InputError("not a plan: its ladder is empty or too long", where=where)
    top = steps[-1]
    for step in steps:
        if (
            step.set_v > min(smallest["volts"], top.set_v)
            or step.limit_a > min(smallest["amps"], top.limit_a)
            or step.set_v * step.limit_a > smallest["watts"]
        ):
            what = f"step {step.set_v:g} V, {step.limit_a:g} A is beyond the plan's own limits"
            raise InputError(what, where=where, cure="Make the plan anew")
    segments = tuple(steps)
    if pulse_minutes is not None:
        segments = _pulses(top, period_s, pulse_minutes)
    return Schedule(
        segments=segments,
        bounds=Bounds(
            max_v=top.set_v,
            max_a=top.limit_a,
            trip_v=smallest["volts"],
            trip_a=smallest["amps"],
        ),
        limit_v=smallest["volts"],
        limit_a=smallest["amps"],
        max_pixel_c=max_pixel_c,
        rise_factor=rise_factor,
        curve_s=(1.0, 5.0, STEADY_S),
        curve_k_w=tuple(kelvin / fault_w for kelvin in seen),
    )


def with_cold_and_after(schedule: Schedule, *, cold_s: float, after_s: float) -> Schedule:
    """Return a run with the output off for `cold_s` before and `after_s` after it."""
    first = schedule.segments[0]

    def off(length_s: float) -> tuple[Segment, ...]:
        return (Segment(False, first.set_v, first.limit_a, length_s, 0.0),) if length_s > 0 else ()

    return replace(schedule, segments=(*off(cold_s), *schedule.segments, *off(after_s)))


def _number(table: Any, key: str) -> float:
    value = table[key]
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{key} is no number")
    if not math.isfinite(value) or value < 0.0:
        raise ValueError(f"{key} must be >= 0, got {value!r}")
    return float(value)


def _pulses(top: Segment, period_s: float, minutes: float) -> tuple[Segment, ...]:
    half = period_s / 2.0
    off = Segment(False, top.set_v, top.limit_a, half, 0.0)
    on = Segment(True, top.set_v, top.limit_a, half, top.fault_w, top.mode)
    return (on, off) * max(1, round(60.0 * minutes / period_s))
