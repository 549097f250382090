"""The set point that gives the short the most power within the limits, and the steps up to it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from hotspot.inject.circuit import Loop, OperatingPoint, SupplySpec, solve_loop
from hotspot.inject.limits import AMPS, VOLTS, WATTS, Limit, smallest
from hotspot.inject.prediction import Scenery, rises_per_watt_k
from hotspot.inject.visibility import predict_visibility

# Compliance kept above I·R so that the supply reaches its current limit although a clip adds some
# 10 mΩ and the short is 15 % above the reading.
HEADROOM = 1.15
CLIP_OHM = 0.01
STEP_SHARES = (0.1, 0.25, 0.5, 1.0)  # of the final current: powers 1 %, 6 %, 25 %, 100 %
HOLD_S = 10.0
LONGEST_HOLD_S = 60.0


@dataclass(frozen=True, slots=True)
class LadderStep:
    """One step: what to set, how long to hold, what it should show.

    Attributes
    ----------
    set_v, limit_a, hold_s
        Voltage, current limit, time.
    point
        Where the loop should settle.
    part_k, apparent_k
        Rise of the part and of the brightest pixel at the end of the hold.
    visible_s
        When the averaged picture should show it, None when it should not within the hold.
    """

    set_v: float
    limit_a: float
    hold_s: float
    point: OperatingPoint
    part_k: float
    apparent_k: float
    visible_s: float | None


def solve_in(
    loop: Loop, fault_ohm: float, set_v: float, limit_a: float, scenery: Scenery
) -> OperatingPoint:
    """Return the operating point of a set point in the room of `scenery`."""
    return solve_loop(loop, fault_ohm, set_v=set_v, limit_a=limit_a, ambient_c=scenery.ambient_c)


def find_set_point(
    limits: tuple[Limit, ...], loop: Loop, fault_ohm: float, supply: SupplySpec, ambient_c: float
) -> tuple[float, float, str] | str:
    """Return set voltage, current limit and the name of the limit that wins, or why not."""
    top_v, top_a, top_w = (smallest(limits, q) for q in (VOLTS, AMPS, WATTS))
    cap_v = supply.floor_v(supply.safe_v(top_v.value))
    cap_a = supply.floor_a(supply.safe_a(top_a.value))
    for cap, top, unit in ((cap_v, top_v, "V"), (cap_a, top_a, "A")):
        if cap <= 0.0:
            return (
                f"'{top.name}' allows {top.value:.3g} {unit}, less than this supply can be "
                "trusted to hold"
            )
    path_ohm = loop.leads.ohm + loop.series_ohm
    path_ohm += loop.trace_ohm(current_a=min(cap_a, 1.0), ambient_c=ambient_c)
    need_ohm = HEADROOM * (path_ohm + fault_ohm) + CLIP_OHM
    by_power = _amps_within(top_w.value, need_ohm, supply)
    too_weak = (
        f"'{top_w.name}' allows {top_w.value:.3g} W, less than this supply can be trusted to hold"
    )
    if by_power is None:
        return too_weak
    by_volts = max(0.0, cap_v - supply.error_v) / need_ohm
    candidates = [(cap_a, top_a.name), (by_volts, top_v.name), (by_power, top_w.name)]
    amps, limited_by = min(candidates, key=lambda pair: pair[0])
    if limited_by == top_v.name:
        set_v = cap_v
        # The current that flows, with room for a short that is a third lower; then every bound.
        wish = 1.5 * cap_v / (path_ohm + fault_ohm) + 10.0 * supply.resolution_a
        watts_a = supply.safe_a(top_w.value / supply.worst_v(set_v))
        limit_a = supply.floor_a(min(cap_a, wish, watts_a))
    else:
        limit_a = supply.floor_a(amps)
        set_v = min(cap_v, _compliance_v(limit_a, need_ohm, supply))
    if limit_a <= 0.0 and supply.resolution_a <= cap_a:
        # Less than the smallest current step: take that step and let the voltage hold the power.
        limit_a, limited_by = supply.resolution_a, top_w.name
        set_v = supply.floor_v(supply.safe_v(top_w.value / supply.worst_a(limit_a)))
        set_v = min(cap_v, set_v)
    worst_w = supply.worst_v(set_v) * supply.worst_a(limit_a)
    if limit_a <= 0.0 or set_v <= 0.0 or worst_w > top_w.value:
        return too_weak
    return set_v, limit_a, limited_by


def _compliance_v(amps: float, need_ohm: float, supply: SupplySpec) -> float:
    # The supply may set as much too low as too high and must still reach its current limit.
    return max(supply.resolution_v, supply.floor_v(amps * need_ohm + supply.error_v))


def _amps_within(power_w: float, need_ohm: float, supply: SupplySpec) -> float | None:
    """Return the current limit I with worst_v(compliance)·worst_a(I) = `power_w`, or None."""
    over = 1.0 + supply.overshoot_rel
    v1 = need_ohm * (1.0 + supply.error_v_rel) * over
    v0 = supply.error_v * (2.0 + supply.error_v_rel) * over
    a1, a0 = 1.0 + supply.error_a_rel, supply.error_a
    a, b, c = v1 * a1, v1 * a0 + v0 * a1, v0 * a0 - power_w
    return None if c >= 0.0 else 2.0 * -c / (b + math.sqrt(b * b - 4.0 * a * c))


def build_ladder(
    loop: Loop,
    fault_ohm: float,
    supply: SupplySpec,
    scenery: Scenery,
    set_v: float,
    limit_a: float,
) -> tuple[LadderStep, ...]:
    """Return rising steps; each is at or below the last in volts and in amps."""
    steps: list[LadderStep] = []
    for share in STEP_SHARES:
        last = share == STEP_SHARES[-1]
        scaled = supply.floor_v(share * (set_v - supply.error_v) + supply.error_v)
        volts = set_v if last else min(set_v, max(supply.resolution_v, scaled))
        amps = limit_a if last else max(supply.resolution_a, supply.floor_a(share * limit_a))
        amps = min(amps, limit_a)
        if not last and amps >= limit_a and volts >= set_v:
            continue
        if steps and not last and (volts, amps) == (steps[-1].set_v, steps[-1].limit_a):
            continue
        steps.append(_step(loop, fault_ohm, scenery, volts, amps))
    final = steps[-1]
    if final.visible_s is None:
        seen = predict_visibility(scenery, power_w=final.point.fault_w).averaged_s
        hold = LONGEST_HOLD_S if seen is None else max(HOLD_S, min(LONGEST_HOLD_S, 1.5 * seen))
        steps[-1] = _step(loop, fault_ohm, scenery, set_v, limit_a, hold_s=float(math.ceil(hold)))
    return tuple(steps)


def _step(
    loop: Loop,
    fault_ohm: float,
    scenery: Scenery,
    volts: float,
    amps: float,
    hold_s: float = HOLD_S,
) -> LadderStep:
    point = solve_in(loop, fault_ohm, volts, amps, scenery)
    part_k_w, apparent_k_w = rises_per_watt_k(scenery, hold_s)
    seen = predict_visibility(scenery, power_w=point.fault_w, allowed_s=hold_s)
    return LadderStep(
        set_v=volts,
        limit_a=amps,
        hold_s=hold_s,
        point=point,
        part_k=point.fault_w * part_k_w,
        apparent_k=point.fault_w * apparent_k_w,
        visible_s=seen.averaged_s,
    )
