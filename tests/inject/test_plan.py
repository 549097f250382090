"""The plan keeps every limit at any far end, and says why when there is none."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotspot.inject.circuit import Leads, Loop, SeriesPart, SupplySpec, Trace, solve_loop
from hotspot.inject.limits import RailCase, UserLimits, find_violations
from hotspot.inject.packages import PACKAGES
from hotspot.inject.plan import InjectionPlan, plan_injection
from hotspot.inject.prediction import Scenery, Viewing
from hotspot.inject.report import plan_to_dict


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    """Log-uniform numbers, the ends included."""
    return st.floats(math.log(low), math.log(high)).map(math.exp)


cases = st.builds(
    RailCase,
    nominal_v=numbers(0.05, 60.0),
    measured_ohm=st.one_of(st.just(0.0), numbers(1e-3, 1e5)),
    max_v=st.none() | numbers(0.05, 100.0),
    meter_lead_ohm=st.sampled_from([0.0, 0.0, 0.2]),
    reading_has_path=st.booleans(),
)
supplies = st.builds(
    SupplySpec,
    max_v=numbers(0.5, 60.0),
    max_a=numbers(0.05, 20.0),
    resolution_v=st.sampled_from([0.001, 0.01, 0.1]),
    resolution_a=st.sampled_from([0.0001, 0.001, 0.01]),
    error_v=st.sampled_from([0.0, 0.01, 0.05]),
    error_a=st.sampled_from([0.0, 0.005, 0.02]),
    error_v_rel=st.floats(0.0, 0.05),
    error_a_rel=st.floats(0.0, 0.05),
    overshoot_rel=st.floats(0.0, 0.2),
)
loops = st.builds(
    Loop,
    leads=st.builds(Leads, awg=st.integers(10, 36), length_m=numbers(0.05, 5.0)),
    series=st.lists(
        st.builds(SeriesPart, ohm=numbers(1e-3, 10.0), max_a=st.none() | numbers(0.01, 20.0)),
        max_size=3,
    ).map(tuple),
    traces=st.lists(
        st.builds(Trace, width_mm=numbers(0.05, 5.0), length_mm=numbers(0.5, 200.0)), max_size=2
    ).map(tuple),
)
sceneries = st.builds(
    Scenery,
    package=st.none() | st.sampled_from(list(PACKAGES.values())),
    view=st.builds(Viewing, netd_mk=numbers(20.0, 200.0), mm_per_px=numbers(0.05, 1.0)),
    ambient_c=st.floats(-10.0, 45.0),
)
users = st.builds(
    UserLimits,
    max_v=st.none() | numbers(0.01, 60.0),
    max_a=st.none() | numbers(0.001, 20.0),
    max_power_w=st.none() | numbers(1e-4, 10.0),
)
FAR_ENDS = [0.0, *np.geomspace(1e-6, 1e7, 120), math.inf]


def worst_of_step(plan: InjectionPlan, set_v: float, limit_a: float) -> dict[str, float]:
    """Sweep the far end with no help from leads or path, at the supply's worst-case setting."""
    bare = Loop(Leads(measured_ohm=0.0))
    worst_v, worst_a = plan.supply.worst_v(set_v), plan.supply.worst_a(limit_a)
    corner = worst_v / worst_a
    found = {"volts": 0.0, "amps": 0.0, "watts": 0.0}
    for far_ohm in [*FAR_ENDS, corner, corner * (1 - 1e-9), corner * (1 + 1e-9)]:
        for loop in (bare, plan.loop):
            if far_ohm == 0.0 and loop is bare:
                amps, volts = worst_a, 0.0
            else:
                point = solve_loop(loop, far_ohm, set_v=worst_v, limit_a=worst_a)
                amps, volts = point.amps, point.rail_v
            found["volts"] = max(found["volts"], volts)
            found["amps"] = max(found["amps"], amps)
            found["watts"] = max(found["watts"], amps * volts if math.isfinite(far_ohm) else 0.0)
    return found


@settings(max_examples=150, deadline=None, derandomize=True)
@given(rail=cases, supply=supplies, loop=loops, scenery=sceneries, user=users)
def test_no_step_breaks_a_limit_at_any_far_end(rail, supply, loop, scenery, user) -> None:
    plan = plan_injection(rail, supply=supply, loop=loop, scenery=scenery, user=user)
    if plan.refused is not None:
        assert len(plan.refused) > 10
        assert plan.ladder == ()
        return
    assert plan.limited_by in {limit.name for limit in plan.limits}
    assert (plan.set_v, plan.limit_a) == (plan.ladder[-1].set_v, plan.ladder[-1].limit_a)
    for step in plan.ladder:
        worst = worst_of_step(plan, step.set_v, step.limit_a)
        for limit in plan.limits:
            assert worst[limit.quantity] <= limit.value * (1 + 1e-9), limit.name
        assert step.set_v <= plan.set_v
        assert step.limit_a <= plan.limit_a


@settings(max_examples=60, deadline=None, derandomize=True)
@given(rail=cases, supply=supplies, loop=loops, user=users)
def test_own_limits_only_tighten(rail, supply, loop, user) -> None:
    free = plan_injection(rail, supply=supply, loop=loop)
    own = plan_injection(rail, supply=supply, loop=loop, user=user)
    free_limits = {(x.name, x.value) for x in free.limits}
    if own.refused is None and free.refused is None:
        kept = {(x.name, x.value) for x in own.limits}
        # The diode-drop limit is a choice of the plan; nothing else may vanish.
        gone = {name for name, _ in free_limits - kept}
        assert gone <= {"diode drop to neighbours"}


def test_the_check_itself_can_fail() -> None:
    plan = plan_injection(RailCase(1.0, 0.05))
    assert find_violations(plan.limits, supply=plan.supply, set_v=2.0, limit_a=0.1) != ()
    assert "unknown trace" in find_violations(
        plan.limits, supply=plan.supply, set_v=0.01, limit_a=2.999
    )


@pytest.mark.parametrize(
    ("rail", "words"),
    [
        (RailCase(None, 0.1), "nominal voltage is missing"),
        (RailCase(61.0, 0.1), "above 60 V DC"),
        (RailCase(3.3, None), "measure it first"),
        (RailCase(3.3, -1.0), "below 0"),
        (RailCase(3.3, math.nan), "below 0"),
        (RailCase(3.3, math.inf), "no short"),
        (RailCase(3.3, 150e3), "no short"),
        (RailCase(3.3, 90.0, healthy_ohm=100.0), "a good board 100"),
        (RailCase(3.3, 0.1, battery_connected=True), "disconnect it"),
        (RailCase(math.nan, 0.1), "nominal voltage"),
        (RailCase(-3.3, 0.1), "nominal voltage"),
        (RailCase(3.3, 0.1, meter_lead_ohm=5.0), "take more off"),
    ],
)
def test_refusals_say_why(rail: RailCase, words: str) -> None:
    plan = plan_injection(rail)
    assert plan.refused is not None
    assert words in plan.refused
    assert plan.set_v == plan.limit_a == 0.0
    json.dumps(plan_to_dict(plan), allow_nan=False)


@pytest.mark.parametrize("ohms", [0.0, 0.003, 0.05, 0.5, 4.0, 50.0, 900.0, 20e3])
def test_contract_keys_and_power_balance(ohms: float) -> None:
    data = plan_to_dict(plan_injection(RailCase(3.3, ohms)))
    assert data["format"] == 1
    assert data["refused"] is None
    assert set(data["expected"]["delta_k"]) == {"1 s", "5 s", "steady"}
    power = data["expected"]["power_w"]
    total = power["fault"] + power["series"] + power["trace"] + power["leads"]
    assert power["total"] == pytest.approx(total)
    supply_w = data["expected"]["amps"] * data["set_v"]
    assert power["total"] <= supply_w * (1 + 1e-9)
    if data["expected"]["mode"] == "voltage":
        assert power["total"] == pytest.approx(supply_w)
    assert {"set_v", "limit_a", "hold_s"} <= set(data["ladder"][0])
    assert data["limited_by"] in {x["name"] for x in data["limits"]}
    assert all(x["quantity"] in ("volts", "amps", "watts") for x in data["limits"])
    json.dumps(data, allow_nan=False)


def test_a_reading_of_zero_is_a_range() -> None:
    plan = plan_injection(RailCase(3.3, 0.0))
    assert plan.fault_range_ohm == (0.0, 0.1)
    assert plan.fault_ohm == 0.05


def test_meter_leads_and_path_are_taken_off_once() -> None:
    loop = Loop(series=(SeriesPart(0.2),))
    plan = plan_injection(RailCase(3.3, 0.75, meter_lead_ohm=0.25), loop=loop)
    assert plan.fault_ohm == pytest.approx(0.5)
    rail = RailCase(3.3, 0.75, meter_lead_ohm=0.25, reading_has_path=True)
    assert plan_injection(rail, loop=loop).fault_ohm == pytest.approx(0.3)


def test_weak_leak_goes_above_the_diode_drop_and_says_so() -> None:
    plan = plan_injection(RailCase(3.8, 1500.0))
    assert plan.set_v > 0.5
    assert "diode drop to neighbours" not in {x.name for x in plan.limits}
    assert any("diode drop" in caution for caution in plan.cautions)


def test_dead_short_stays_below_the_diode_drop() -> None:
    plan = plan_injection(RailCase(3.8, 0.02))
    assert plan.set_v < 0.5
    assert plan.point.mode == "current"


@pytest.mark.parametrize("ohms", [1e-300, 5e-324, 1e-9])
def test_a_vanishing_reading_is_a_reading_of_zero(ohms: float) -> None:
    plan = plan_injection(RailCase(3.3, ohms))
    assert plan.refused is None
    assert plan.fault_range_ohm == (0.0, 0.1)


@pytest.mark.parametrize("watts", [1e-6, 1e-5])
def test_tiny_own_power_limit_is_refused_or_kept(watts: float) -> None:
    plan = plan_injection(RailCase(3.3, 20.0), user=UserLimits(max_power_w=watts))
    assert plan.refused is not None
    assert "own power limit" in plan.refused
