"""Exhaustive: every ladder step of a grid of rails, supplies and leads, at every far end."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from hotspot.inject.circuit import Leads, Loop, SeriesPart, SupplySpec, Trace
from hotspot.inject.limits import RailCase, UserLimits
from hotspot.inject.packages import PACKAGES
from hotspot.inject.plan import plan_injection
from hotspot.inject.prediction import Scenery

FAR_OHM = np.concatenate(([0.0], np.geomspace(1e-6, 1e8, 400)))
NOMINAL_V = (0.6, 1.0, 3.8, 12.6, 60.0)
READING_OHM = (0.0, 0.004, 0.08, 1.5, 40.0, 3e3, 6e4)
SUPPLIES = (
    SupplySpec(),
    SupplySpec(max_v=5.0, max_a=20.0, resolution_v=0.1, resolution_a=0.01, error_a=0.03),
    SupplySpec(error_v=0.0, error_a=0.0, error_v_rel=0.0, error_a_rel=0.0, overshoot_rel=0.0),
)
LOOPS = (
    Loop(),
    Loop(Leads(24, 2.0), (SeriesPart(0.15, 0.3), SeriesPart(0.01)), (Trace(0.12, 15.0),)),
)
USERS = (UserLimits(), UserLimits(max_power_w=0.01), UserLimits(max_v=0.4, max_a=0.6))


@pytest.mark.parametrize("name", [None, "01005", "0402", "1210"])
def test_grid_of_plans_at_every_far_end(name: str | None) -> None:
    scenery = Scenery(package=PACKAGES[name] if name else None)
    made = 0
    for nominal, ohm, supply, loop, user in itertools.product(
        NOMINAL_V, READING_OHM, SUPPLIES, LOOPS, USERS
    ):
        rail = RailCase(nominal, ohm)
        plan = plan_injection(rail, supply=supply, loop=loop, scenery=scenery, user=user)
        if plan.refused is not None:
            assert plan.refused
            continue
        made += 1
        for step in plan.ladder:
            volts = step.set_v * (1 + supply.error_v_rel) + supply.error_v
            volts *= 1 + supply.overshoot_rel
            amps = step.limit_a * (1 + supply.error_a_rel) + supply.error_a
            far = np.append(FAR_OHM, volts / amps)
            flow = np.where(far * amps <= volts, amps, volts / np.maximum(far, 1e-300))
            worst = {"volts": volts, "amps": flow.max(), "watts": (flow**2 * far).max()}
            for limit in plan.limits:
                where = (nominal, ohm, limit.name)
                assert worst[limit.quantity] <= limit.value * (1 + 1e-9), where
            assert volts <= nominal
    assert made > 300  # a grid that refuses everything proves nothing


def test_no_plan_is_needlessly_timid() -> None:
    """The winning limit is used: dead shorts get within a fifth of what it allows."""
    for ohm, package in itertools.product((0.02, 0.05, 0.2, 0.8), ("0402", "0603", "0805")):
        plan = plan_injection(RailCase(3.8, ohm), scenery=Scenery(package=PACKAGES[package]))
        limit = next(x for x in plan.limits if x.name == plan.limited_by)
        used = {
            "volts": plan.supply.worst_v(plan.set_v),
            "amps": plan.supply.worst_a(plan.limit_a),
            "watts": plan.supply.worst_v(plan.set_v) * plan.supply.worst_a(plan.limit_a),
        }[limit.quantity]
        assert used > 0.8 * limit.value, (ohm, package, plan.limited_by)
        assert math.isfinite(used)
        assert plan.visibility.one_frame_s is not None
