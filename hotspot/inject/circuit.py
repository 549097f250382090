"""The loop that the current takes: supply, leads, series parts, trace, short."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from hotspot.inject.copper import trace_ohm, trace_rise_k, wire_ohm_per_m


@dataclass(frozen=True, slots=True)
class SupplySpec:
    """What a bench supply can do and how well it does it.

    Attributes
    ----------
    max_v, max_a
        Range.
    resolution_v, resolution_a
        Smallest step of the set points.
    error_v_rel, error_v, error_a_rel, error_a
        Worst-case setting error: share of the set point plus a fixed part. The defaults are those
        of a plain bench supply (common practice, no source).
    overshoot_rel
        Share by which the voltage may overshoot when the output is switched on or the load drops.
    output_uf
        Capacitance behind the output terminals; its energy is not held back by the current limit.
    """

    max_v: float = 30.0
    max_a: float = 3.0
    resolution_v: float = 0.01
    resolution_a: float = 0.001
    error_v_rel: float = 0.005
    error_v: float = 0.01
    error_a_rel: float = 0.005
    error_a: float = 0.005
    overshoot_rel: float = 0.02
    output_uf: float = 470.0

    def worst_v(self, set_v: float) -> float:
        """Return the highest voltage the terminals may show for a set point."""
        return (set_v * (1.0 + self.error_v_rel) + self.error_v) * (1.0 + self.overshoot_rel)

    def worst_a(self, limit_a: float) -> float:
        """Return the highest steady current the supply may deliver for a current limit."""
        return limit_a * (1.0 + self.error_a_rel) + self.error_a

    def safe_v(self, bound_v: float) -> float:
        """Return the highest set point whose worst case stays within `bound_v` (may be < 0)."""
        return (bound_v / (1.0 + self.overshoot_rel) - self.error_v) / (1.0 + self.error_v_rel)

    def safe_a(self, bound_a: float) -> float:
        """Return the highest current limit whose worst case stays within `bound_a` (may be < 0)."""
        return (bound_a - self.error_a) / (1.0 + self.error_a_rel)

    def floor_v(self, volts: float) -> float:
        """Return `volts` rounded down to a set point that the supply has."""
        return _floor(volts, self.resolution_v)

    def floor_a(self, amps: float) -> float:
        """Return `amps` rounded down to a current limit that the supply has."""
        return _floor(amps, self.resolution_a)

    def surge_j(self, set_v: float) -> float:
        """Return the energy in the output capacitor, ½CV²: no current limit holds it back."""
        return 0.5 * self.output_uf * 1e-6 * self.worst_v(set_v) ** 2


def _floor(value: float, step: float) -> float:
    # A billionth of a step forgives the binary form of 0.07 / 0.01, nothing more.
    return round(max(0.0, math.floor(value / step + 1e-9) * step), 9)


@dataclass(frozen=True, slots=True)
class Leads:
    """Two supply leads and their clips.

    Attributes
    ----------
    awg, length_m
        Gauge, and length of one lead.
    measured_ohm
        Resistance of both together as measured; replaces gauge and length.
    clip_ohm
        Resistance of both clips together (5 to 50 mΩ each in practice; 0 unless measured).
    """

    awg: float = 18.0
    length_m: float = 1.0
    measured_ohm: float | None = None
    clip_ohm: float = 0.0

    @property
    def ohm(self) -> float:
        """Resistance out and back at 20 °C."""
        if self.measured_ohm is not None:
            return self.measured_ohm + self.clip_ohm
        return 2.0 * self.length_m * wire_ohm_per_m(self.awg) + self.clip_ohm


@dataclass(frozen=True, slots=True)
class SeriesPart:
    """An inductor, bead or fuse that the current passes on its way to the short."""

    ohm: float
    max_a: float | None = None
    name: str = ""


@dataclass(frozen=True, slots=True)
class Trace:
    """A trace or a strip of plane on the way to the short."""

    width_mm: float
    length_mm: float
    thickness_um: float = 35.0
    inner: bool = False

    def ohm(self, *, current_a: float, ambient_c: float) -> float:
        """Return its resistance at the temperature it takes at `current_a` (IPC-2221 rise)."""
        rise_k = trace_rise_k(
            width_mm=self.width_mm,
            thickness_um=self.thickness_um,
            current_a=abs(current_a),
            inner=self.inner,
        )
        # The chart ends at 100 K; beyond it only the resistance, never a limit, is estimated.
        return trace_ohm(
            width_mm=self.width_mm,
            length_mm=self.length_mm,
            thickness_um=self.thickness_um,
            temperature_c=ambient_c + min(rise_k, 100.0),
        )


@dataclass(frozen=True, slots=True)
class Loop:
    """Everything between the supply's terminals except the short."""

    leads: Leads = field(default_factory=Leads)
    series: tuple[SeriesPart, ...] = ()
    traces: tuple[Trace, ...] = ()

    @property
    def series_ohm(self) -> float:
        """Resistance of all series parts."""
        return sum(part.ohm for part in self.series)

    def trace_ohm(self, *, current_a: float, ambient_c: float) -> float:
        """Return the resistance of all traces at `current_a`."""
        return sum(t.ohm(current_a=current_a, ambient_c=ambient_c) for t in self.traces)


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """Where the loop settles.

    Attributes
    ----------
    amps
        Current round the loop.
    rail_v
        Voltage across the short.
    mode
        "current" when the limit holds, "voltage" when the set voltage does.
    fault_w, series_w, trace_w, leads_w
        Power in each element.
    """

    amps: float
    rail_v: float
    mode: str
    fault_w: float
    series_w: float
    trace_w: float
    leads_w: float

    @property
    def total_w(self) -> float:
        """Power out of the supply."""
        return self.fault_w + self.series_w + self.trace_w + self.leads_w


def solve_loop(
    loop: Loop, fault_ohm: float, *, set_v: float, limit_a: float, ambient_c: float = 23.0
) -> OperatingPoint:
    """Return the operating point for one set point and one resistance at the far end.

    I = min(limit, V / ΣR); trace resistance at its own temperature, found by iteration.
    `fault_ohm` may be 0 and may be infinite (the short has burnt open: the rail sees `set_v`).

    Raises
    ------
    ValueError
        If `fault_ohm` is negative or not a number.
    """
    if math.isnan(fault_ohm) or fault_ohm < 0:
        raise ValueError(f"fault_ohm must be >= 0, got {fault_ohm!r}")
    if math.isinf(fault_ohm):
        return OperatingPoint(0.0, set_v, "voltage", 0.0, 0.0, 0.0, 0.0)
    fixed_ohm = loop.leads.ohm + loop.series_ohm + fault_ohm
    amps, trace = limit_a, 0.0
    # The trace adds a few per cent at most: three passes settle it below a millionth.
    for _ in range(3 if loop.traces else 1):
        trace = loop.trace_ohm(current_a=amps, ambient_c=ambient_c)
        total_ohm = fixed_ohm + trace
        amps = limit_a if limit_a * total_ohm <= set_v else set_v / total_ohm
    square = amps * amps
    return OperatingPoint(
        amps=amps,
        rail_v=amps * fault_ohm,
        mode="current" if amps >= limit_a else "voltage",
        fault_w=square * fault_ohm,
        series_w=square * loop.series_ohm,
        trace_w=square * trace,
        leads_w=square * loop.leads.ohm,
    )
