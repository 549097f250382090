"""Copper: wire gauges, traces, and the currents they bear."""

from __future__ import annotations

import math

from hotspot.checks import check_positive

RHO20_OHM_M = 1.0 / 58.0e6  # annealed copper, IEC 60028:1925 (100 % IACS = 58 MS/m)
ALPHA20_PER_K = 0.00393  # temperature coefficient at 20 °C, IEC 60028:1925
MIL_MM = 0.0254
IPC2221_OUTER = 0.048  # constants of the usual fit of the IPC-2221 chart (mil², K, A)
IPC2221_INNER = 0.024


def wire_diameter_mm(awg: float) -> float:
    """Return the bare diameter of a solid wire of gauge `awg` (ASTM B258)."""
    return 0.127 * float(92.0 ** ((36.0 - awg) / 39.0))


def wire_area_mm2(awg: float) -> float:
    """Return the copper cross-section of a solid wire of gauge `awg`."""
    return math.pi / 4.0 * wire_diameter_mm(awg) ** 2


def copper_resistivity_ohm_m(temperature_c: float) -> float:
    """Return the resistivity of annealed copper (IEC 60028, linear about 20 °C)."""
    return RHO20_OHM_M * (1.0 + ALPHA20_PER_K * (temperature_c - 20.0))


def wire_ohm_per_m(awg: float, *, temperature_c: float = 20.0) -> float:
    """Return the resistance of one metre of solid wire; stranded is 2 to 4 % above it."""
    return copper_resistivity_ohm_m(temperature_c) / (wire_area_mm2(awg) * 1e-6)


def trace_ohm(
    *, width_mm: float, length_mm: float, thickness_um: float, temperature_c: float = 20.0
) -> float:
    """Return the resistance of a trace of rectangular section.

    Raises
    ------
    ValueError
        If a dimension is not above zero.
    """
    area_m2 = check_positive(width_mm, name="width_mm") * 1e-3
    area_m2 *= check_positive(thickness_um, name="thickness_um") * 1e-6
    length_m = check_positive(length_mm, name="length_mm") * 1e-3
    return copper_resistivity_ohm_m(temperature_c) * length_m / area_m2


def trace_area_mil2(*, width_mm: float, thickness_um: float) -> float:
    """Return a trace's cross-section in square mils, the unit of the IPC-2221 chart."""
    return (width_mm / MIL_MM) * (thickness_um * 1e-3 / MIL_MM)


def trace_current_a(
    *, width_mm: float, thickness_um: float, rise_k: float, inner: bool = False
) -> float:
    """Return the current that warms a trace by `rise_k`: I = k ΔT^0.44 A^0.725 (IPC-2221).

    The chart behind the fit holds within ±10 % up to about 35 A and from 10 to 100 K.
    """
    area = trace_area_mil2(width_mm=width_mm, thickness_um=thickness_um)
    constant = IPC2221_INNER if inner else IPC2221_OUTER
    return float(constant * rise_k**0.44 * area**0.725)


def trace_rise_k(
    *, width_mm: float, thickness_um: float, current_a: float, inner: bool = False
) -> float:
    """Return the temperature rise of a trace at `current_a`, IPC-2221 turned round."""
    area = trace_area_mil2(width_mm=width_mm, thickness_um=thickness_um)
    constant = IPC2221_INNER if inner else IPC2221_OUTER
    return float((current_a / (constant * area**0.725)) ** (1.0 / 0.44))


def melting_current_a(*, area_mm2: float, duration_s: float, ambient_c: float = 25.0) -> float:
    """Return the current that melts a copper conductor in `duration_s` (Onderdonk).

    I = A √(log10((1083 − Ta)/(234 + Ta) + 1) / (33 s)), A in circular mils; adiabatic, so it
    holds for seconds at most and is pessimistic beyond (Stauffacher, GE Review 1928).
    """
    circular_mil = area_mm2 / (math.pi / 4.0 * MIL_MM**2)
    log_term = math.log10((1083.0 - ambient_c) / (234.0 + ambient_c) + 1.0)
    return circular_mil * math.sqrt(log_term / (33.0 * duration_s))
