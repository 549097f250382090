"""Who gets the watts: supply, leads, series parts, trace and short in one loop.

Direct current, textbook circuit law. The supply is ideal: it holds its set voltage until the load
asks for more than its limit, then it holds the current.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from hotspot.checks import check_at_least, check_positive

COPPER_OHM_M = 1.7241e-8  # IEC 60028:1925, annealed copper at 20 °C


@dataclass(frozen=True, slots=True)
class SeriesElement:
    """A part the current passes on its way: inductor, bead, fuse.

    Attributes
    ----------
    ref
        Reference of the part.
    ohm
        Its direct-current resistance.
    """

    ref: str
    ohm: float


@dataclass(frozen=True, slots=True)
class Circuit:
    """The loop behind the supply's terminals.

    Attributes
    ----------
    lead_ohm
        Both leads and their clips.
    series
        Parts in the path.
    trace_ohm
        Copper between probe and short.
    short_ref, short_ohm
        The failed part and its resistance; None and infinite when nothing is shorted.
    load_ohm, load_ref
        What the healthy rail draws, beside the short, and the part in which that heat appears.
    burn_open_w, burn_open_s
        The short burns open when it takes at least this power for this long; None: never.
    """

    lead_ohm: float = 0.1
    series: tuple[SeriesElement, ...] = ()
    trace_ohm: float = 0.03
    short_ref: str | None = None
    short_ohm: float = math.inf
    load_ohm: float = math.inf
    load_ref: str | None = None
    burn_open_w: float | None = None
    burn_open_s: float = 0.0

    def __post_init__(self) -> None:
        check_at_least(self.lead_ohm, bound=0.0, name="lead_ohm")
        check_at_least(self.trace_ohm, bound=0.0, name="trace_ohm")
        for element in self.series:
            check_at_least(element.ohm, bound=0.0, name=f"ohm of {element.ref}")
        for name in ("short_ohm", "load_ohm"):
            if math.isnan(getattr(self, name)) or getattr(self, name) < 0:
                raise ValueError(f"{name} must be >= 0, got {getattr(self, name)!r}")


@dataclass(frozen=True, slots=True)
class SupplySetting:
    """What the supply is told.

    Attributes
    ----------
    volts, amps
        Set voltage and current limit.
    on
        Output state.
    """

    volts: float = 0.0
    amps: float = 0.0
    on: bool = False

    def __post_init__(self) -> None:
        check_at_least(self.volts, bound=0.0, name="volts")
        check_at_least(self.amps, bound=0.0, name="amps")


@dataclass(frozen=True, slots=True)
class CircuitState:
    """Currents, voltages and powers of the loop.

    Attributes
    ----------
    amps, volts
        At the supply's terminals.
    mode
        "off", "voltage" (supply holds its voltage) or "current" (it holds its limit).
    rail_v
        Across the short.
    short_w, trace_w, leads_w, load_w
        Power in each.
    series_w
        Power in each series part, as (ref, W).
    """

    amps: float
    volts: float
    mode: str
    rail_v: float
    short_w: float
    trace_w: float
    leads_w: float
    load_w: float
    series_w: tuple[tuple[str, float], ...]

    @property
    def total_w(self) -> float:
        """Power out of the supply."""
        series = sum(w for _, w in self.series_w)
        return self.short_w + self.trace_w + self.leads_w + self.load_w + series


def measure_circuit(circuit: Circuit, setting: SupplySetting) -> CircuitState:
    """Return what flows and where it turns into heat."""
    if not setting.on:
        return _state(circuit, amps=0.0, volts=0.0, mode="off", rail_ohm=_rail_ohm(circuit))
    rail_ohm = _rail_ohm(circuit)
    total = circuit.lead_ohm + circuit.trace_ohm + sum(e.ohm for e in circuit.series) + rail_ohm
    if total * setting.amps <= setting.volts:
        return _state(
            circuit,
            amps=setting.amps,
            volts=total * setting.amps if setting.amps else 0.0,
            mode="current",
            rail_ohm=rail_ohm,
        )
    amps = 0.0 if math.isinf(total) else setting.volts / total
    return _state(circuit, amps=amps, volts=setting.volts, mode="voltage", rail_ohm=rail_ohm)


def to_trace_ohm(length_mm: float, *, width_mm: float, copper_um: float) -> float:
    """Return the resistance of a copper trace at 20 °C, ρ L / (w t)."""
    check_at_least(length_mm, bound=0.0, name="length_mm")
    area_m2 = check_positive(width_mm, name="width_mm") * 1e-3
    area_m2 *= check_positive(copper_um, name="copper_um") * 1e-6
    return COPPER_OHM_M * length_mm * 1e-3 / area_m2


def _rail_ohm(circuit: Circuit) -> float:
    """Short and healthy load in parallel."""
    a, b = circuit.short_ohm, circuit.load_ohm
    if a == 0.0 or b == 0.0:
        return 0.0
    conductance = 1.0 / a + 1.0 / b  # 1/inf is 0
    return math.inf if conductance == 0.0 else 1.0 / conductance


def _state(
    circuit: Circuit, *, amps: float, volts: float, mode: str, rail_ohm: float
) -> CircuitState:
    # With an open rail nothing flows, so nothing drops on the way.
    rail_v = volts if math.isinf(rail_ohm) else amps * rail_ohm
    if circuit.short_ohm == 0.0:
        short_w, load_w = 0.0, 0.0
    else:
        short_w, load_w = rail_v**2 / circuit.short_ohm, rail_v**2 / circuit.load_ohm
    square = amps**2
    return CircuitState(
        amps=amps,
        volts=volts,
        mode=mode,
        rail_v=rail_v,
        short_w=short_w,
        trace_w=square * circuit.trace_ohm,
        leads_w=square * circuit.lead_ohm,
        load_w=load_w,
        series_w=tuple((e.ref, square * e.ohm) for e in circuit.series),
    )
