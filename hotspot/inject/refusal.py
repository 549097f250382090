"""Why no injection is proposed: missing, absurd or healthy input."""

from __future__ import annotations

import math
from collections.abc import Iterator

from hotspot.inject.circuit import Loop, SupplySpec
from hotspot.inject.limits import RailCase, UserLimits
from hotspot.inject.packages import DIELECTRIC_MAX_C
from hotspot.inject.prediction import Scenery

MAX_NOMINAL_V = 60.0  # extra-low voltage without touch protection: 60 V DC (IEC 61140)
NO_SHORT_OHM = 100e3  # a rail of 50 good class 2 capacitors still reads over 200 kΩ (IEC 60384-22)
HEALTHY_SHARE = 0.8  # meter, temperature and board spread together stay within a fifth


def find_refusal(
    rail: RailCase,
    *,
    loop: Loop,
    supply: SupplySpec,
    scenery: Scenery,
    user: UserLimits,
    dielectric: str,
) -> str | None:
    """Return the first reason not to inject, in one sentence, or None."""
    if rail.battery_connected:
        return (
            "a battery or another source is still connected: disconnect it, wait until the rail "
            "reads 0 V, then plan again"
        )
    if rail.nominal_v is None:
        return "the rail's nominal voltage is missing: without it no voltage can be called safe"
    for name, value, low, high in _bounds(rail, loop, supply, scenery, user):
        if value is not None and not (math.isfinite(value) and low <= value <= high):
            if name == "nominal voltage" and value > MAX_NOMINAL_V:
                return f"nominal voltage {value:g} V is above {MAX_NOMINAL_V:g} V DC"
            if low == _TINY:
                return f"{name} must be above 0 and at most {high:g}, not {value:g}"
            return f"{name} {value:g} is outside {low:g} to {high:g}"
    if dielectric not in DIELECTRIC_MAX_C:
        return f"dielectric {dielectric!r} is not one of {', '.join(DIELECTRIC_MAX_C)}"
    return _reading_refusal(rail, loop)


def _reading_refusal(rail: RailCase, loop: Loop) -> str | None:
    ohms = rail.measured_ohm
    if ohms is None:
        return "the resistance from rail to ground is missing: measure it first"
    if math.isnan(ohms) or ohms < 0:
        return f"measured resistance {ohms:g} is below 0 Ω: check the meter's zero"
    short = short_ohm(rail, loop)
    # A reading of 0.0 stands as it is: the meter was zeroed with its leads, or has no finer digit.
    if ohms >= rail.meter_resolution_ohm and short < -rail.meter_resolution_ohm:
        return f"leads and path take more off than the reading of {ohms:g} Ω holds"
    if rail.healthy_ohm is not None and short >= HEALTHY_SHARE * rail.healthy_ohm:
        shown = "over range (OL)" if math.isinf(short) else f"{short:g} Ω"
        return f"the rail reads {shown}, a good board {rail.healthy_ohm:g} Ω: no short to find"
    if math.isinf(ohms) or short > NO_SHORT_OHM:
        shown = "over range (OL)" if math.isinf(ohms) else f"{short:g} Ω"
        return f"the rail reads {shown}, no short: a good rail is open to direct current"
    return None


def short_ohm(rail: RailCase, loop: Loop) -> float:
    """Return the reading less the meter's leads, and less the path when that is in it."""
    ohms = (rail.measured_ohm or 0.0) - rail.meter_lead_ohm
    if rail.reading_has_path:
        ohms -= loop.series_ohm + loop.trace_ohm(current_a=0.0, ambient_c=20.0)
    return ohms


_Bound = tuple[str, float | None, float, float]
_TINY = 1e-9


def _bounds(
    rail: RailCase, loop: Loop, supply: SupplySpec, scenery: Scenery, user: UserLimits
) -> Iterator[_Bound]:
    """Yield name, value, lowest and highest sensible value of every number that came in."""
    yield "nominal voltage", rail.nominal_v, _TINY, MAX_NOMINAL_V
    yield "maximum voltage", rail.max_v, _TINY, 1000.0
    yield "resistance of the meter's leads", rail.meter_lead_ohm, 0.0, 100.0
    yield "resolution of the meter", rail.meter_resolution_ohm, 0.0, 10.0
    yield "healthy resistance", rail.healthy_ohm, _TINY, 1e12
    yield "own voltage limit", user.max_v, _TINY, 1e6
    yield "own current limit", user.max_a, _TINY, 1e6
    yield "own power limit", user.max_power_w, _TINY, 1e6
    yield "highest voltage of the supply", supply.max_v, _TINY, 1000.0
    yield "highest current of the supply", supply.max_a, _TINY, 1000.0
    yield "voltage step of the supply", supply.resolution_v, 1e-6, 1.0
    yield "current step of the supply", supply.resolution_a, 1e-6, 1.0
    yield "voltage error of the supply", supply.error_v, 0.0, 10.0
    yield "current error of the supply", supply.error_a, 0.0, 10.0
    yield "relative voltage error of the supply", supply.error_v_rel, 0.0, 0.5
    yield "relative current error of the supply", supply.error_a_rel, 0.0, 0.5
    yield "overshoot of the supply", supply.overshoot_rel, 0.0, 1.0
    yield "output capacitance of the supply", supply.output_uf, 0.0, 1e6
    yield "lead gauge AWG", loop.leads.awg, 0.0, 50.0
    yield "lead length in m", loop.leads.length_m, 0.0, 100.0
    yield "measured lead resistance", loop.leads.measured_ohm, 0.0, 1000.0
    yield "clip resistance", loop.leads.clip_ohm, 0.0, 1000.0
    for part in loop.series:
        yield "series resistance", part.ohm, 0.0, 1e6
        yield "rating of a series part", part.max_a, _TINY, 1000.0
    for trace in loop.traces:
        yield "trace width in mm", trace.width_mm, 0.01, 1000.0
        yield "trace length in mm", trace.length_mm, 0.001, 10000.0
        yield "trace thickness in µm", trace.thickness_um, 1.0, 1000.0
    view, plate = scenery.view, scenery.plate
    yield "NETD in mK", view.netd_mk, 0.1, 10000.0
    yield "pixel size in mm", view.mm_per_px, 0.001, 20.0
    yield "frame rate in Hz", view.frame_rate_hz, 0.1, 10000.0
    yield "optical blur in px", view.psf_sigma_px, 0.0, 20.0
    yield "emissivity", view.emissivity, 0.01, 1.0
    yield "room temperature in °C", scenery.ambient_c, -20.0, 50.0
    yield "board thickness in mm", plate.thickness_mm, 0.05, 10.0
    yield "copper thickness in µm", plate.copper_um, 0.0, 5000.0
    yield "film coefficient in W/(m² K)", plate.film_w_m2k, 1.0, 1000.0
