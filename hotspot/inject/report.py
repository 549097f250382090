"""A plan as plain data: the JSON of ``hotspot plan --json`` (format 1)."""

from __future__ import annotations

from typing import Any

from hotspot.inject.circuit import OperatingPoint
from hotspot.inject.plan import InjectionPlan
from hotspot.inject.setpoint import LadderStep
from hotspot.inject.words import build_stop_rules

DELTA_TIMES = ("1 s", "5 s", "steady")


def plan_to_dict(plan: InjectionPlan) -> dict[str, Any]:
    """Return the plan as plain data; a refused plan has the same keys, zeros and empty lists."""
    return {
        "format": 1,
        "set_v": plan.set_v,
        "limit_a": plan.limit_a,
        "limited_by": plan.limited_by,
        "expected": {
            "amps": plan.point.amps,
            "rail_v": plan.point.rail_v,
            "mode": plan.point.mode,
            "power_w": _powers(plan.point),
            "delta_k": dict(zip(DELTA_TIMES, plan.part_k, strict=True)),
            "visible_after_s": plan.visibility.averaged_s,
            "pulsed_visible_after_s": plan.visibility.pulsed_s,
            "apparent_delta_k": dict(zip(DELTA_TIMES, plan.apparent_k, strict=True)),
            "visible_one_frame_after_s": plan.visibility.one_frame_s,
            "needed_power_w": plan.visibility.needed_w,
            "fault_ohm": plan.fault_ohm,
            "fault_range_ohm": list(plan.fault_range_ohm),
            "fault_range_w": list(plan.fault_range_w),
            "pulse_period_s": plan.pulse_period_s,
        },
        "ladder": [_step(step) for step in plan.ladder],
        "limits": [
            {"name": x.name, "quantity": x.quantity, "value": x.value, "source": x.source}
            for x in plan.limits
        ],
        "cut_out": {
            "max_pixel_c": plan.cut_out.max_pixel_c,
            "max_rise_factor": plan.cut_out.max_rise_factor,
            "max_rise_k": plan.cut_out.max_rise_k,
        },
        "surge_j": plan.surge_j,
        "stop_rules": list(build_stop_rules(plan.point.mode)),
        "cautions": list(plan.cautions),
        "refused": plan.refused,
    }


def _powers(point: OperatingPoint) -> dict[str, float]:
    return {
        "fault": point.fault_w,
        "series": point.series_w,
        "trace": point.trace_w,
        "leads": point.leads_w,
        "total": point.total_w,
    }


def _step(step: LadderStep) -> dict[str, Any]:
    return {
        "set_v": step.set_v,
        "limit_a": step.limit_a,
        "hold_s": step.hold_s,
        "expected_amps": step.point.amps,
        "mode": step.point.mode,
        "fault_w": step.point.fault_w,
        "delta_k": step.part_k,
        "apparent_delta_k": step.apparent_k,
        "visible_after_s": step.visible_s,
    }
