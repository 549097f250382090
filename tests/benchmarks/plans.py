"""Random plans against their own limits: ``python -m tests.benchmarks.plans``.

Every plan is made from random rails, supplies, leads, series parts, traces, boards, cameras and
limits, one in ten of them with an absurd value. Each step of each ladder is then held against each
limit with the supply at its worst setting and the far end swept from 0 Ω to open, by Ohm's law
written here anew, with and without the leads' help. Printed: plans, refusals by reason, violations,
crashes, how close the winning limit was approached, and time. The exit code is 1 if there was a
violation, a crash, or a refusal without a reason.
"""

from __future__ import annotations

import argparse
import collections
import math
import sys
import time
import traceback

import numpy as np

from hotspot.inject.circuit import Leads, Loop, SeriesPart, SupplySpec, Trace
from hotspot.inject.limits import RailCase, UserLimits
from hotspot.inject.packages import PACKAGES
from hotspot.inject.plan import plan_injection
from hotspot.inject.prediction import Plate, Scenery, Viewing
from hotspot.inject.report import plan_to_dict

FAR_OHM = np.concatenate(([0.0], np.geomspace(1e-6, 1e8, 300)))
ABSURD = (0.0, -1.0, math.nan, math.inf, -math.inf, 1e300, 1e-300)


def log_uniform(rng, low, high):
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))


def maybe(rng, value, chance=0.3):
    return value if rng.random() < chance else None


def random_case(rng):
    """Return the keyword arguments of one random plan, the rail first."""

    def odd(value):
        return float(rng.choice(ABSURD)) if rng.random() < 0.004 else value

    packages = [None, *PACKAGES.values()]
    rail = RailCase(
        nominal_v=odd(log_uniform(rng, 0.3, 70.0)),
        measured_ohm=odd(0.0 if rng.random() < 0.1 else log_uniform(rng, 1e-3, 3e5)),
        max_v=maybe(rng, odd(log_uniform(rng, 0.3, 70.0))),
        meter_lead_ohm=odd(float(rng.choice([0.0, 0.0, 0.0, 0.0, 0.1, 0.3]))),
        healthy_ohm=maybe(rng, odd(log_uniform(rng, 1.0, 1e6)), 0.1),
        battery_connected=bool(rng.random() < 0.01),
        reading_has_path=bool(rng.random() < 0.05),
    )
    loop = Loop(
        Leads(
            odd(float(rng.integers(10, 34))),
            odd(log_uniform(rng, 0.1, 3.0)),
            maybe(rng, odd(log_uniform(rng, 0.005, 0.5))),
            odd(float(rng.choice([0.0, 0.02, 0.1]))),
        ),
        tuple(
            SeriesPart(odd(log_uniform(rng, 1e-3, 2.0)),
                       maybe(rng, log_uniform(rng, 0.02, 20.0), 0.7))
            for _ in range(rng.integers(0, 4))
        ),
        tuple(
            Trace(odd(log_uniform(rng, 0.07, 5.0)), odd(log_uniform(rng, 1.0, 100.0)),
                  float(rng.choice([17.5, 35.0, 70.0])), bool(rng.random() < 0.3))
            for _ in range(rng.integers(0, 3))
        ),
    )  # fmt: skip
    supply = SupplySpec(
        max_v=odd(log_uniform(rng, 1.0, 100.0)),
        max_a=odd(log_uniform(rng, 0.1, 30.0)),
        resolution_v=float(rng.choice([0.001, 0.01, 0.1])),
        resolution_a=float(rng.choice([0.0001, 0.001, 0.01])),
        error_v_rel=float(rng.uniform(0, 0.03)),
        error_v=float(rng.choice([0.0, 0.005, 0.03])),
        error_a_rel=float(rng.uniform(0, 0.03)),
        error_a=float(rng.choice([0.0, 0.005, 0.03])),
        overshoot_rel=odd(float(rng.uniform(0, 0.1))),
    )
    scenery = Scenery(
        Plate(odd(log_uniform(rng, 0.4, 2.4)), odd(float(rng.uniform(10, 250)))),
        packages[rng.integers(len(packages))],
        Viewing(odd(log_uniform(rng, 20.0, 200.0)), odd(log_uniform(rng, 0.05, 1.0)),
                float(rng.choice([9.0, 25.0, 30.0]))),
        odd(float(rng.uniform(-5, 45))),
    )  # fmt: skip
    user = UserLimits(
        max_v=maybe(rng, odd(log_uniform(rng, 0.05, 60.0)), 0.2),
        max_a=maybe(rng, odd(log_uniform(rng, 0.005, 10.0)), 0.2),
        max_power_w=maybe(rng, odd(log_uniform(rng, 1e-3, 5.0)), 0.2),
    )
    kind = str(rng.choice(["X5R", "X6S", "X7R"]))
    rest = {"loop": loop, "supply": supply, "scenery": scenery, "user": user}
    return rail, rest | {"dielectric": kind}


def worst_shares(plan):
    """Return for each quantity the worst value of any step over its smallest limit."""
    smallest = {}
    for limit in plan.limits:
        smallest[limit.quantity] = min(limit.value, smallest.get(limit.quantity, math.inf))
    worst = dict.fromkeys(smallest, 0.0)
    for step in plan.ladder:
        s = plan.supply
        volts = (step.set_v * (1 + s.error_v_rel) + s.error_v) * (1 + s.overshoot_rel)
        amps = step.limit_a * (1 + s.error_a_rel) + s.error_a
        far = np.append(FAR_OHM, volts / amps)
        for lead_ohm in (0.0, plan.loop.leads.ohm):
            total = far + lead_ohm
            flow = np.minimum(amps, np.divide(volts, total, where=total > 0,
                                              out=np.full_like(total, math.inf)))  # fmt: skip
            worst["amps"] = max(worst["amps"], float(flow.max()))
            worst["watts"] = max(worst["watts"], float((flow**2 * far).max()))
            worst["volts"] = max(worst["volts"], float((flow * far).max()), volts)  # and open
    return {quantity: worst[quantity] / smallest[quantity] for quantity in smallest}


def main(argv=None):
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plans", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(argv)
    rng = np.random.default_rng(options.seed)
    refusals, limited = collections.Counter(), collections.Counter()
    made = crashes = silent = violations = 0
    shares, begin = [], time.perf_counter()
    for number in range(options.plans):
        rail, rest = random_case(rng)
        try:
            plan = plan_injection(rail, **rest)
            plan_to_dict(plan)
        except Exception:
            crashes += 1
            traceback.print_exc()
            continue
        if plan.refused is not None:
            silent += len(plan.refused.strip()) < 10 or bool(plan.ladder)
            refusals[
                " ".join(w for w in plan.refused.split() if not any(map(str.isdigit, w)))[:60]
            ] += 1
            continue
        made += 1
        limited["".join(c for c in plan.limited_by if not c.isdigit()).strip()] += 1
        found = worst_shares(plan)
        shares.append(max(found.values()))
        violations += max(found.values()) > 1 + 1e-9
        if sys.stderr.isatty() and number % 1000 == 0:
            print(f"\r{number}/{options.plans}", end="", file=sys.stderr)
    took_s = time.perf_counter() - begin
    print(f"{options.plans} random cases, seed {options.seed}: {made} plans, "
          f"{sum(refusals.values())} refusals, {silent} of them without a reason")  # fmt: skip
    print(f"limits violated by any step at any far end: {violations}; crashes: {crashes}")
    if shares:
        levels = np.quantile(shares, [0.05, 0.5, 0.95, 1.0])
        print("worst case over the tightest limit, 5 %, median, 95 %, largest: "
              + ", ".join(f"{x:.4f}" for x in levels))  # fmt: skip
    print(f"time {took_s:.1f} s, {1e3 * took_s / max(1, options.plans):.2f} ms a case")
    for title, counts in (("limited by", limited), ("refused", refusals)):
        print(f"\n{title}:")
        for name, count in counts.most_common(12):
            print(f"  {count:7d}  {name}")
    return int(bool(violations or crashes or silent))


if __name__ == "__main__":
    sys.exit(main())
