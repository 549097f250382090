"""The plan: what to set on the supply, in which steps, what will be seen, when to stop."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

from hotspot.inject.circuit import Loop, OperatingPoint, SupplySpec
from hotspot.inject.limits import (
    DIODE_DROP_V,
    FR4_C,
    SOLDER_C,
    TOUCH_C,
    Limit,
    RailCase,
    UserLimits,
    current_limits,
    find_violations,
    power_limits,
    voltage_limits,
)
from hotspot.inject.packages import DIELECTRIC_MAX_C
from hotspot.inject.prediction import Scenery, apparent_steady_k, part_steady_k, rises_per_watt_k
from hotspot.inject.refusal import find_refusal, short_ohm
from hotspot.inject.setpoint import LadderStep, build_ladder, find_set_point, solve_in
from hotspot.inject.visibility import Visibility, predict_visibility
from hotspot.inject.words import build_cautions

LEAST_OHM = 1e-6  # no bench meter tells a microohm from nothing
SOON_S = 10.0  # a rise seen within this needs no more voltage
RISE_FACTOR = 3.0  # the reduced model is good to a factor of two; half as much again is kept


@dataclass(frozen=True, slots=True)
class CutOut:
    """When the output must go off by itself.

    Attributes
    ----------
    max_pixel_c
        Highest temperature any pixel may show.
    max_rise_factor
        Measured rise over predicted at which something else is happening.
    max_rise_k
        The same as a rise: the factor times the predicted steady apparent rise, never under 1 K.
    """

    max_pixel_c: float
    max_rise_factor: float
    max_rise_k: float


@dataclass(frozen=True, slots=True)
class InjectionPlan:
    """A plan, or the reason why there is none.

    Attributes
    ----------
    set_v, limit_a
        Set point of the last step of the ladder; 0 when refused.
    limited_by
        Name of the limit that wins.
    fault_ohm, fault_range_ohm
        The short as expected, and the range the reading leaves open.
    fault_range_w
        Least and most power in the short over that range.
    point
        Operating point at (`set_v`, `limit_a`, `fault_ohm`).
    part_k, apparent_k
        Rise of the part and of the brightest pixel after 1 s, 5 s and in the steady state.
    visibility
        When it will be seen.
    ladder
        Rising steps; the last one is the plan's set point.
    limits
        Everything that is respected at each step and any far end.
    surge_j
        Energy of the supply's output capacitor, which no current limit holds back.
    pulse_period_s
        Period of the pulse train that `visibility.pulsed_s` speaks of.
    cautions, refused
        Sentences; `refused` is None for a plan.
    """

    set_v: float
    limit_a: float
    limited_by: str
    fault_ohm: float
    fault_range_ohm: tuple[float, float]
    fault_range_w: tuple[float, float]
    point: OperatingPoint
    part_k: tuple[float, float, float]
    apparent_k: tuple[float, float, float]
    visibility: Visibility
    ladder: tuple[LadderStep, ...]
    limits: tuple[Limit, ...]
    supply: SupplySpec
    loop: Loop
    scenery: Scenery
    cut_out: CutOut
    surge_j: float
    pulse_period_s: float
    cautions: tuple[str, ...]
    refused: str | None = None


def plan_injection(
    rail: RailCase,
    *,
    loop: Loop | None = None,
    supply: SupplySpec | None = None,
    scenery: Scenery | None = None,
    user: UserLimits | None = None,
    dielectric: str = "X5R",
    pulse_period_s: float = 10.0,
) -> InjectionPlan:
    """Return the plan for a rail; a plan that cannot be made says why in `refused`.

    The set point gives the short the most power within the limits. The diode-drop limit is kept
    wherever the part will be seen within ten seconds below it; otherwise it is dropped and said so.
    """
    loop, supply = loop or Loop(), supply or SupplySpec()
    scenery, user = scenery or Scenery(), user or UserLimits()
    refuse = partial(_refused, loop=loop, supply=supply, scenery=scenery, period_s=pulse_period_s)
    reason = find_refusal(
        rail, loop=loop, supply=supply, scenery=scenery, user=user, dielectric=dielectric
    )
    if not reason and not (math.isfinite(pulse_period_s) and 0.5 <= pulse_period_s <= 600.0):
        reason = f"pulse period {pulse_period_s:g} s is outside 0.5 to 600"
    if reason:
        return refuse(reason)
    low, fault_ohm, high = _fault_range_ohm(rail, loop)
    flow = current_limits(loop, supply=supply, user=user, ambient_c=scenery.ambient_c)
    heat = power_limits(scenery, user=user, dielectric=dielectric)
    chosen: tuple[tuple[Limit, ...], tuple[float, float, str]] | None = None
    # The diode-drop limit goes first; without it is the second try.
    for below_drop in (True, False):
        volts = voltage_limits(rail, supply=supply, user=user, below_diode_drop=below_drop)
        limits = (*volts, *flow, *heat)
        found = find_set_point(limits, loop, fault_ohm, supply, scenery.ambient_c)
        if isinstance(found, str):
            reason = found
            continue
        chosen = limits, found
        if not below_drop or found[0] < supply.floor_v(supply.safe_v(DIODE_DROP_V)):
            break
        watts = solve_in(loop, fault_ohm, found[0], found[1], scenery).fault_w
        if _seen_soon(scenery, watts, pulse_period_s):
            break
    if chosen is None:
        return refuse(reason or "no set point respects the limits")
    limits, (set_v, limit_a, limited_by) = chosen
    ladder = build_ladder(loop, fault_ohm, supply, scenery, set_v, limit_a)
    for step in ladder:
        broken = find_violations(limits, supply=supply, set_v=step.set_v, limit_a=step.limit_a)
        if broken:  # the last line of defence: never hand out a step that breaks a limit
            return refuse(f"a step would break the limit '{broken[0]}'")
    point = ladder[-1].point
    watts = point.fault_w
    at_1, at_5 = (rises_per_watt_k(scenery, t_s) for t_s in (1.0, 5.0))
    steady = apparent_steady_k(scenery, power_w=watts)
    top_c = min(TOUCH_C, FR4_C, SOLDER_C, DIELECTRIC_MAX_C[dielectric])
    return InjectionPlan(
        set_v=set_v,
        limit_a=limit_a,
        limited_by=limited_by,
        fault_ohm=fault_ohm,
        fault_range_ohm=(low, high),
        fault_range_w=_power_range_w(loop, (low, fault_ohm, high), ladder[-1], scenery),
        point=point,
        part_k=(watts * at_1[0], watts * at_5[0], part_steady_k(scenery, power_w=watts)),
        apparent_k=(watts * at_1[1], watts * at_5[1], steady),
        visibility=predict_visibility(scenery, power_w=watts, period_s=pulse_period_s),
        ladder=ladder,
        limits=limits,
        supply=supply,
        loop=loop,
        scenery=scenery,
        cut_out=CutOut(top_c, RISE_FACTOR, max(1.0, RISE_FACTOR * steady)),
        surge_j=supply.surge_j(set_v),
        pulse_period_s=pulse_period_s,
        cautions=build_cautions(
            set_v=set_v, above_drop=set_v > DIODE_DROP_V, surge_j=supply.surge_j(set_v)
        ),
    )


def _fault_range_ohm(rail: RailCase, loop: Loop) -> tuple[float, float, float]:
    """Return lowest, expected and highest resistance of the short."""
    ohm = short_ohm(rail, loop)
    digit = rail.meter_resolution_ohm
    if ohm < LEAST_OHM:  # the meter reads 0.0: anything below its last digit
        high = max(digit, 1e-3)
        return 0.0, high / 2.0, high
    if rail.meter_lead_ohm > 0.0 or rail.reading_has_path:  # a difference of readings
        return max(0.0, ohm - digit), ohm, ohm + digit
    return ohm, ohm, ohm


def _power_range_w(
    loop: Loop, ohms: tuple[float, ...], step: LadderStep, scenery: Scenery
) -> tuple[float, float]:
    watts = [solve_in(loop, ohm, step.set_v, step.limit_a, scenery).fault_w for ohm in ohms]
    return min(watts), max(watts)


def _seen_soon(scenery: Scenery, watts: float, period_s: float) -> bool:
    seen = predict_visibility(scenery, power_w=watts, period_s=period_s).averaged_s
    return seen is not None and seen <= SOON_S


def _refused(
    reason: str, *, loop: Loop, supply: SupplySpec, scenery: Scenery, period_s: float
) -> InjectionPlan:
    nothing = OperatingPoint(0.0, 0.0, "voltage", 0.0, 0.0, 0.0, 0.0)
    return InjectionPlan(
        set_v=0.0,
        limit_a=0.0,
        limited_by="",
        fault_ohm=0.0,
        fault_range_ohm=(0.0, 0.0),
        fault_range_w=(0.0, 0.0),
        point=nothing,
        part_k=(0.0, 0.0, 0.0),
        apparent_k=(0.0, 0.0, 0.0),
        visibility=Visibility(None, None, None, 0.0),
        ladder=(),
        limits=(),
        supply=supply,
        loop=loop,
        scenery=scenery,
        cut_out=CutOut(TOUCH_C, RISE_FACTOR, 0.0),
        surge_j=0.0,
        pulse_period_s=period_s,
        cautions=build_cautions(set_v=0.0, above_drop=False, surge_j=0.0),
        refused=reason,
    )
