"""Each limit wins where it is the tightest, is named, and holds at the supply's worst setting."""

from __future__ import annotations

from typing import Any

import pytest

from hotspot.inject.circuit import Leads, Loop, SeriesPart, SupplySpec, Trace
from hotspot.inject.limits import RailCase, UserLimits
from hotspot.inject.packages import PACKAGES
from hotspot.inject.plan import plan_injection
from hotspot.inject.prediction import Plate, Scenery

BIG = PACKAGES["1210"]
POOR = Plate(thickness_mm=0.4, copper_um=5.0)  # a board that leads no heat away: temperatures bind

# Values: ASTM B258 area of AWG 30, 0.0509 mm², times 10 A/mm²; IPC-2221 0.048 dT^0.44 A^0.725 at
# 20 K of 0.2 mm x 35 um (10.85 mil2), inner layer half; 60 - 23 K over twice the model's rise.
CASES: dict[str, tuple[RailCase, dict[str, Any], float | None]] = {
    "nominal voltage of the rail": (RailCase(3.8, 4700.0), {}, 3.8),
    "maximum voltage of the rail": (RailCase(3.8, 4700.0, max_v=2.5), {}, 2.5),
    "own voltage limit": (RailCase(3.8, 4700.0), {"user": UserLimits(max_v=1.2)}, 1.2),
    "voltage range of the supply": (RailCase(12.0, 4700.0), {"supply": SupplySpec(max_v=5.0)}, 5.0),
    "diode drop to neighbours": (RailCase(3.8, 5.0), {}, 0.5),
    "current range of the supply": (RailCase(1.0, 0.005), {"supply": SupplySpec(max_a=0.4)}, 0.4),
    "own current limit": (RailCase(1.0, 0.005), {"user": UserLimits(max_a=0.3)}, 0.3),
    "rating of the AWG 30 leads": (RailCase(1.0, 0.005), {"loop": Loop(Leads(30, 0.1))}, 0.509),
    "rating of series part 1": (
        RailCase(1.0, 0.005), {"loop": Loop(series=(SeriesPart(0.01, 0.25),))}, 0.25,
    ),
    "trace 20 K warmer": (
        RailCase(1.0, 0.002),
        {"loop": Loop(Leads(measured_ohm=0.002), (), (Trace(0.2, 1.0, inner=True),))},
        0.5051,
    ),
    "unknown trace": (
        RailCase(1.0, 0.001),
        {"loop": Loop(Leads(measured_ohm=0.001)), "supply": SupplySpec(max_a=30.0)},
        3.0,
    ),
    "own power limit": (RailCase(1.0, 0.1), {"user": UserLimits(max_power_w=0.05)}, 0.05),
    "power in package 0402": (RailCase(1.0, 0.1), {}, 0.25),
    "touch temperature 60 \N{DEGREE SIGN}C": (
        RailCase(1.0, 0.1), {"scenery": Scenery(plate=POOR, package=BIG)}, None,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_the_tightest_limit_wins_and_is_named(name: str) -> None:
    rail, rest, value = CASES[name]
    rest = {"scenery": Scenery(package=PACKAGES["0402"])} | rest
    plan = plan_injection(rail, **rest)
    assert plan.refused is None
    assert plan.limited_by == name
    limit = next(x for x in plan.limits if x.name == name)
    if value is not None:
        assert limit.value == pytest.approx(value, rel=2e-3)
    supply = plan.supply
    volts = (plan.set_v * (1 + supply.error_v_rel) + supply.error_v) * (1 + supply.overshoot_rel)
    amps = plan.limit_a * (1 + supply.error_a_rel) + supply.error_a
    worst = {"volts": volts, "amps": amps, "watts": volts * amps}[limit.quantity]
    assert worst <= limit.value * (1 + 1e-12)
    # As near as the steps of the supply allow; a ladder of coarse voltage steps stays further off.
    assert worst >= 0.75 * limit.value


def test_every_kind_of_limit_is_listed_with_a_source() -> None:
    plan = plan_injection(
        RailCase(3.3, 0.1, max_v=3.6),
        loop=Loop(series=(SeriesPart(0.01, 2.0),), traces=(Trace(0.3, 10.0),)),
        user=UserLimits(1.0, 1.0, 1.0),
        scenery=Scenery(package=PACKAGES["0402"]),
    )
    listed = {x.name: x for x in plan.limits}
    wanted = {
        "nominal voltage of the rail", "maximum voltage of the rail", "own voltage limit",
        "voltage range of the supply", "diode drop to neighbours", "current range of the supply",
        "own current limit", "rating of the AWG 18 leads", "rating of series part 1",
        "trace 20 K warmer", "trace melting", "own power limit", "power in package 0402",
        "part temperature 85 \N{DEGREE SIGN}C", "laminate 120 \N{DEGREE SIGN}C",
        "solder 120 \N{DEGREE SIGN}C", "touch temperature 60 \N{DEGREE SIGN}C",
    }  # fmt: skip
    assert set(listed) == wanted
    assert all(x.source.strip() for x in plan.limits)
    # Hotter bounds allow more power: 60 < 85 < 120 degrees.
    watts = [listed[n].value for n in sorted(wanted) if "\N{DEGREE SIGN}C" in n]
    by_name = dict(zip(sorted(n for n in wanted if "\N{DEGREE SIGN}C" in n), watts, strict=True))
    touch, part = (
        next(v for k, v in by_name.items() if k.startswith(w)) for w in ("touch", "part")
    )
    assert part / touch == pytest.approx((85 - 23) / (60 - 23))
