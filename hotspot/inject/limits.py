"""What must not be exceeded: each limit with name, quantity, value and source."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from hotspot.inject.circuit import Loop, SupplySpec, Trace
from hotspot.inject.copper import melting_current_a, trace_current_a, wire_area_mm2
from hotspot.inject.packages import DIELECTRIC_MAX_C, SMALLEST_USUAL, Package
from hotspot.inject.prediction import MODEL_FACTOR, Scenery, part_steady_k

VOLTS, AMPS, WATTS = "volts", "amps", "watts"

TRACE_RISE_K = 20.0  # what designers commonly allow a trace (common practice, no source)
# 10 A/mm² warms a lead with 2 mm insulation by some 15 K in still air (1.4 W/m, 15 W/(m² K)).
LEAD_A_PER_MM2 = 10.0
# The standard's short-time overload test is 6.25 times the rated power for 5 s (2.5 times the rated
# voltage, from memory). Holds last longer, so only four times; the temperatures below bind as well.
PACKAGE_OVERLOAD = 4.0
UNKNOWN_PATH_A = 3.0
DIODE_DROP_V = 0.5
TOUCH_C = 60.0
FR4_C = 120.0  # the lowest usual glass transition is 130 °C; ten kelvin are kept
SOLDER_C = 120.0  # the lowest melting solder in use is Sn42Bi58, 138 °C


@dataclass(frozen=True, slots=True)
class Limit:
    """One bound.

    Attributes
    ----------
    name
        What is protected.
    quantity
        "volts" at the rail, "amps" round the loop, or "watts" into the far end.
    value
        The bound, in the quantity's unit.
    source
        Standard, handbook or "common practice, no source".
    """

    name: str
    quantity: str
    value: float
    source: str


@dataclass(frozen=True, slots=True)
class RailCase:
    """The rail as it lies on the bench.

    Attributes
    ----------
    nominal_v
        Voltage the rail carries in a working board; None refuses the plan.
    measured_ohm
        Rail to ground as the meter showed it (with the meter's leads in it when two-wire);
        infinite for an over-range display.
    max_v
        The most the parts on the rail may see, if known.
    meter_lead_ohm
        Reading with the meter's probes held together, taken off.
    meter_resolution_ohm
        Last digit of the meter; a reading of 0.0 means anything below it.
    healthy_ohm
        Reading of a good board, if known.
    battery_connected
        Whether a battery or another source is still connected: refuses the plan.
    reading_has_path
        Whether the reading was taken at the injection point, so that series parts and trace are
        in it and are taken off as well.
    """

    nominal_v: float | None
    measured_ohm: float | None
    max_v: float | None = None
    meter_lead_ohm: float = 0.0
    meter_resolution_ohm: float = 0.1
    healthy_ohm: float | None = None
    battery_connected: bool = False
    reading_has_path: bool = False


@dataclass(frozen=True, slots=True)
class UserLimits:
    """Bounds of the technician's own; they can only tighten."""

    max_v: float | None = None
    max_a: float | None = None
    max_power_w: float | None = None


def voltage_limits(
    rail: RailCase, *, supply: SupplySpec, user: UserLimits, below_diode_drop: bool
) -> tuple[Limit, ...]:
    """Return the bounds on the voltage at the rail."""
    limits = []
    if rail.nominal_v is not None:
        why = "what the healthy parts see if the short burns open; common practice, no source"
        limits.append(Limit("nominal voltage of the rail", VOLTS, rail.nominal_v, why))
    if rail.max_v is not None:
        limits.append(Limit("maximum voltage of the rail", VOLTS, rail.max_v, "as given"))
    limits.append(Limit("voltage range of the supply", VOLTS, supply.max_v, "as given"))
    if user.max_v is not None:
        limits.append(Limit("own voltage limit", VOLTS, user.max_v, "as given"))
    if below_diode_drop:
        why = "keeps protection diodes into unpowered neighbours shut; common practice, no source"
        limits.append(Limit("diode drop to neighbours", VOLTS, DIODE_DROP_V, why))
    return tuple(limits)


def current_limits(
    loop: Loop, *, supply: SupplySpec, user: UserLimits, ambient_c: float
) -> tuple[Limit, ...]:
    """Return the bounds on the current round the loop."""
    limits = [Limit("current range of the supply", AMPS, supply.max_a, "as given")]
    if user.max_a is not None:
        limits.append(Limit("own current limit", AMPS, user.max_a, "as given"))
    if loop.leads.measured_ohm is None:
        rating = LEAD_A_PER_MM2 * wire_area_mm2(loop.leads.awg)
        why = f"{LEAD_A_PER_MM2:g} A/mm², area by ASTM B258; common practice, no source"
        limits.append(Limit(f"rating of the AWG {loop.leads.awg:g} leads", AMPS, rating, why))
    for number, part in enumerate(loop.series, start=1):
        if part.max_a is not None:
            name = f"rating of series part {part.name or number}"
            limits.append(Limit(name, AMPS, part.max_a, "as given"))
    for number, trace in enumerate(loop.traces, start=1):
        limits += _trace_limits(trace, "" if len(loop.traces) == 1 else f" {number}", ambient_c)
    if not loop.traces:
        why = "the trace is not known; common practice, no source"
        limits.append(Limit("unknown trace", AMPS, UNKNOWN_PATH_A, why))
    return tuple(limits)


def _trace_limits(trace: Trace, number: str, ambient_c: float) -> list[Limit]:
    warm = trace_current_a(
        width_mm=trace.width_mm,
        thickness_um=trace.thickness_um,
        rise_k=TRACE_RISE_K,
        inner=trace.inner,
    )
    area_mm2 = trace.width_mm * trace.thickness_um * 1e-3
    melt = 0.5 * melting_current_a(area_mm2=area_mm2, duration_s=1.0, ambient_c=ambient_c)
    return [
        Limit(f"trace{number} {TRACE_RISE_K:g} K warmer", AMPS, warm, "IPC-2221, fit of the chart"),
        Limit(f"trace{number} melting", AMPS, melt, "half of Onderdonk's current for 1 s"),
    ]


def power_limits(scenery: Scenery, *, user: UserLimits, dielectric: str) -> tuple[Limit, ...]:
    """Return the bounds on the power into the far end, temperatures among them.

    A temperature T bounds the power at (T − ambient) / (steady rise per watt × `MODEL_FACTOR`).
    """
    package = scenery.package or SMALLEST_USUAL
    limits = []
    if user.max_power_w is not None:
        limits.append(Limit("own power limit", WATTS, user.max_power_w, "as given"))
    rated = PACKAGE_OVERLOAD * package.rated_w
    why = f"{PACKAGE_OVERLOAD:g} × {package.rated_w:.3g} W; {package.source}"
    limits.append(Limit(f"power in package {package.name}", WATTS, rated, why))
    per_watt_k = MODEL_FACTOR * part_steady_k(_with_package(scenery, package))
    part_c = DIELECTRIC_MAX_C[dielectric]
    for name, bound_c, source in (
        (f"part temperature {part_c:g} °C", part_c, f"{dielectric}, EIA-198-1"),
        (f"laminate {FR4_C:g} °C", FR4_C, "glass transition 130 °C, IPC-4101, less 10 K"),
        (f"solder {SOLDER_C:g} °C", SOLDER_C, "Sn42Bi58 melts at 138 °C, ISO 9453, less 18 K"),
        (
            f"touch temperature {TOUCH_C:g} °C",
            TOUCH_C,
            "IEC 62368-1 TS1, metal, 1 s to 10 s; below the 65 °C of ISO 13732-1 for 1 s",
        ),
    ):
        limits.append(Limit(name, WATTS, (bound_c - scenery.ambient_c) / per_watt_k, source))
    return tuple(limits)


def _with_package(scenery: Scenery, package: Package) -> Scenery:
    return Scenery(scenery.plate, package, scenery.view, scenery.ambient_c)


def smallest(limits: Iterable[Limit], quantity: str) -> Limit:
    """Return the limit that wins for a quantity; the first of equals.

    Raises
    ------
    ValueError
        If there is none of that quantity.
    """
    chosen = [limit for limit in limits if limit.quantity == quantity]
    if not chosen:
        raise ValueError(f"limits hold none of quantity {quantity!r}")
    return min(chosen, key=lambda limit: limit.value)


def find_violations(
    limits: Iterable[Limit], *, supply: SupplySpec, set_v: float, limit_a: float
) -> tuple[str, ...]:
    """Return the names of the limits that a set point could break at some far end.

    For any far-end resistance from 0 to open and whatever the leads, the rail sees at most the
    supply's worst-case voltage, the loop at most its worst-case current, and the far end at most
    their product (the load line touches V·I at its corner). No resistance of leads, clips or trace
    is counted on.
    """
    worst_v, worst_a = supply.worst_v(set_v), supply.worst_a(limit_a)
    worst = {VOLTS: worst_v, AMPS: worst_a, WATTS: worst_v * worst_a}
    # A part in 10^12 is the rounding of the arithmetic itself.
    return tuple(
        limit.name
        for limit in limits
        if math.isnan(limit.value) or worst[limit.quantity] > limit.value * (1.0 + 1e-12)
    )
