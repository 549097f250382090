"""Temperatures a bench can make or measure: ice, boiling water, gallium, Pt100, thermometer."""

from __future__ import annotations

import math
from dataclasses import dataclass

from hotspot.checks import check_at_least, check_positive

STANDARD_PRESSURE_HPA = 1013.25
GALLIUM_C = 29.7646  # ITS-90, table 1
# IEC 60751: R = R0 (1 + A t + B t² + C (t - 100) t³), the last term below 0 °C only.
PT_A, PT_B, PT_C = 3.9083e-3, -5.775e-7, -4.183e-12
PT_CLASSES = {"AA": (0.1, 0.0017), "A": (0.15, 0.002), "B": (0.3, 0.005)}

# A bath of crushed ice and tap water on a bench is good to 0.1 K (a well-made one, ASTM E563, to
# 0.01 K); common practice, no source.
ICE_SIGMA_K = 0.1
# Air pressure at one place varies by some 10 hPa (sd) with the weather: 0.28 K at the boiling
# point; common practice, no source.
WEATHER_SIGMA_HPA = 10.0
BOILING_SIGMA_K = 0.1  # superheat and dissolved salts of tap water; common practice, no source
GALLIUM_SIGMA_K = 0.05  # a bench cell of ordinary purity; common practice, no source
ROOT_3 = math.sqrt(3.0)  # half-width of an even distribution over its sd (JCGM 100, 4.3.7)


@dataclass(frozen=True, slots=True)
class Reference:
    """A known temperature.

    Attributes
    ----------
    name
        What makes it known.
    temperature_c, sigma_k
        With its standard uncertainty.
    """

    name: str
    temperature_c: float
    sigma_k: float


def ice_point(*, sigma_k: float = ICE_SIGMA_K) -> Reference:
    """Return the melting point of ice, 0 °C."""
    return Reference("ice bath", 0.0, check_positive(sigma_k, name="sigma_k"))


def gallium_point(*, sigma_k: float = GALLIUM_SIGMA_K) -> Reference:
    """Return the melting point of gallium (ITS-90)."""
    return Reference("gallium melt", GALLIUM_C, check_positive(sigma_k, name="sigma_k"))


def boiling_point(
    *, altitude_m: float | None = None, pressure_hpa: float | None = None
) -> Reference:
    """Return the boiling point of water by altitude or, better, by the pressure on the spot.

    Parameters
    ----------
    altitude_m
        Above sea level, standard atmosphere; the weather is in the uncertainty.
    pressure_hpa
        As measured here (not reduced to sea level), taken to be good to 1 hPa.

    Raises
    ------
    ValueError
        If both or neither are given, or out of range.
    """
    if (altitude_m is None) == (pressure_hpa is None):
        raise ValueError("altitude_m or pressure_hpa must be given, not both")
    weather_hpa = 1.0
    if altitude_m is not None:
        pressure_hpa = air_pressure_hpa(altitude_m)
        weather_hpa = WEATHER_SIGMA_HPA
    if pressure_hpa is None or not 300.0 <= pressure_hpa <= 1100.0:
        raise ValueError(f"pressure_hpa must be from 300 to 1100, got {pressure_hpa!r}")
    slope = (saturation_c(pressure_hpa + 1) - saturation_c(pressure_hpa - 1)) / 2
    return Reference(
        f"boiling water at {pressure_hpa:.0f} hPa",
        saturation_c(pressure_hpa),
        math.hypot(weather_hpa * slope, BOILING_SIGMA_K),
    )


def thermometer(celsius: float, *, sigma_k: float) -> Reference:
    """Return the reading of a contact thermometer."""
    check_at_least(celsius, bound=-150.0, name="celsius")
    return Reference("thermometer", celsius, check_positive(sigma_k, name="sigma_k"))


def pt100_reading(ohm: float, *, klass: str = "B", lead_ohm: float = 0.0) -> Reference:
    """Return the temperature of a Pt100 from its resistance.

    Parameters
    ----------
    ohm
        As measured.
    klass
        Tolerance class AA, A or B of IEC 60751; its limit is taken as an even distribution.
    lead_ohm
        Resistance of both leads, taken off; 0 for a four-wire reading.
    """
    if klass not in PT_CLASSES:
        raise ValueError(f"klass must be one of {', '.join(PT_CLASSES)}, got {klass!r}")
    check_at_least(lead_ohm, bound=0.0, name="lead_ohm")
    celsius = pt100_c(ohm - lead_ohm)
    fixed, growing = PT_CLASSES[klass]
    return Reference(f"Pt100 class {klass}", celsius, (fixed + growing * abs(celsius)) / ROOT_3)


def pt100_ohm(celsius: float, *, r0_ohm: float = 100.0) -> float:
    """Return the resistance of a platinum thermometer (IEC 60751), -200 to 850 °C."""
    if not -200.0 <= celsius <= 850.0:
        raise ValueError(f"celsius must be from -200 to 850, got {celsius!r}")
    cold = PT_C * (celsius - 100.0) * celsius**3 if celsius < 0 else 0.0
    return r0_ohm * (1.0 + PT_A * celsius + PT_B * celsius**2 + cold)


def pt100_c(ohm: float, *, r0_ohm: float = 100.0) -> float:
    """Return the temperature of a platinum thermometer (IEC 60751) from its resistance."""
    low, high = pt100_ohm(-200.0, r0_ohm=r0_ohm), pt100_ohm(850.0, r0_ohm=r0_ohm)
    if not low <= ohm <= high:
        raise ValueError(f"ohm must be from {low:.2f} to {high:.2f} for a Pt100, got {ohm!r}")
    ratio = ohm / r0_ohm
    celsius = (-PT_A + math.sqrt(PT_A**2 - 4 * PT_B * (1 - ratio))) / (2 * PT_B)
    if ratio >= 1:
        return celsius
    for _ in range(8):  # Newton on the cold branch: quadratic, from a start within 3 K
        step = 1e-4
        slope = (pt100_ohm(celsius + step) - pt100_ohm(max(celsius - step, -200.0))) / (2 * step)
        celsius = max(-200.0 + 2 * step, celsius - (pt100_ohm(celsius) - 100 * ratio) / slope)
    return celsius


def air_pressure_hpa(altitude_m: float) -> float:
    """Return the pressure of the standard atmosphere (ISO 2533:1975), -1000 to 11000 m."""
    if not -1000.0 <= altitude_m <= 11000.0:
        raise ValueError(f"altitude_m must be from -1000 to 11000, got {altitude_m!r}")
    # Exponent g M / (R* L) with the standard's own constants.
    exponent = 9.80665 * 0.0289644 / (8.31432 * 0.0065)
    return STANDARD_PRESSURE_HPA * float((1.0 - 0.0065 * altitude_m / 288.15) ** exponent)


def saturation_c(pressure_hpa: float) -> float:
    """Return the temperature at which water boils at this pressure.

    Notes
    -----
    IAPWS-IF97, region 4, backward equation (eq. 31); its ten coefficients are in table 34.
    """
    check_positive(pressure_hpa, name="pressure_hpa")
    n = (
        0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5,
        -0.32325550322333e7, 0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6,
        -0.23855557567849, 0.65017534844798e3,
    )  # fmt: skip
    beta = (pressure_hpa * 1e-4) ** 0.25  # pressure in MPa
    e = beta**2 + n[2] * beta + n[5]
    f = n[0] * beta**2 + n[3] * beta + n[6]
    g = n[1] * beta**2 + n[4] * beta + n[7]
    d = 2 * g / (-f - math.sqrt(f**2 - 4 * e * g))
    kelvin = (n[9] + d - math.sqrt((n[9] + d) ** 2 - 4 * (n[8] + n[9] * d))) / 2
    return float(kelvin) - 273.15
