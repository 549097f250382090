"""What lies between the surface and the camera: emissivity, reflection, a window; with errors.

The air is left out. Over 10 m of indoor air an 8-14 µm camera loses 3 % at most (Vollmer &
Möllmann, Infrared Thermal Imaging, ch. 1, from memory). At 0.3 m that is 0.1 % if the loss grows
with distance and 0.5 % if it grows with its root (strong lines): `air_error_k` gives 0.03 to
0.18 K for a part at 60 °C in a room of 23 °C, as a share of its rise 0.1 to 0.5 %. Emissivity is
uncertain by ten times as much.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from calib.planck import LWIR, Band, band_radiance, band_slope, to_temperature_c
from hotspot.checks import FloatArray, check_at_least, check_positive

_AIR_TRANSMISSION_10_M = 0.97


@dataclass(frozen=True, slots=True)
class Target:
    """The surface looked at, and what else the camera sees. Sigmas are standard uncertainties.

    Attributes
    ----------
    emissivity, emissivity_sigma
        Of the surface in the camera's band.
    reflected_c, reflected_sigma_k
        Reflected apparent temperature (ISO 18434-1): what a crumpled foil shows at emissivity 1.
    transmission, transmission_sigma
        Of a window or macro lens; 1 without one.
    window_c, window_sigma_k
        Temperature of the window; the reflected temperature when None.
    band
        Spectral response of the camera.
    """

    emissivity: float = 1.0
    emissivity_sigma: float = 0.0
    reflected_c: float = 23.0
    reflected_sigma_k: float = 0.0
    transmission: float = 1.0
    transmission_sigma: float = 0.0
    window_c: float | None = None
    window_sigma_k: float = 0.0
    band: Band = LWIR

    def __post_init__(self) -> None:
        for name in ("emissivity", "transmission"):
            value = check_positive(getattr(self, name), name=name)
            if value > 1:
                raise ValueError(f"{name} must be <= 1, got {value!r}")
        for name in (
            "emissivity_sigma", "reflected_sigma_k", "transmission_sigma", "window_sigma_k",
        ):  # fmt: skip
            check_at_least(getattr(self, name), bound=0.0, name=name)
        check_at_least(self.reflected_c, bound=-150.0, name="reflected_c")
        if self.window_c is not None:
            check_at_least(self.window_c, bound=-150.0, name="window_c")

    @property
    def glass_c(self) -> float:
        """Temperature of the window in °C."""
        return self.reflected_c if self.window_c is None else self.window_c


@dataclass(frozen=True, slots=True)
class Uncertain:
    """A value with its standard uncertainty and where that comes from.

    Attributes
    ----------
    value, sigma
        In the same unit.
    parts
        (name, sigma) of each contribution; they add up in squares.
    """

    value: float
    sigma: float
    parts: tuple[tuple[str, float], ...] = ()


def to_apparent_c(true_c: Any, target: Target) -> FloatArray:
    """Return what a camera set to emissivity 1 shows for a surface at `true_c`.

    Notes
    -----
    L(Ta) = τ [ε L(T) + (1-ε) L(Tr)] + (1-τ) L(Tw), with L the radiance within the band (Vollmer &
    Möllmann, ch. 2-3; ISO 18434-1; window: ASTM E1897).
    """
    band = target.band
    surface = target.emissivity * band_radiance(true_c, band=band) + _reflected(target)
    seen = target.transmission * surface + _from_window(target)
    return to_temperature_c(seen, band=band)


def to_true_c(apparent_c: Any, target: Target) -> FloatArray:
    """Return the surface's temperature in °C from what the camera shows at emissivity 1.

    NaN where the camera sees less light than reflection and window alone would give.
    """
    band = target.band
    surface = (band_radiance(apparent_c, band=band) - _from_window(target)) / target.transmission
    return to_temperature_c((surface - _reflected(target)) / target.emissivity, band=band)


def measure_true_c(apparent_c: float, target: Target, *, apparent_sigma_k: float) -> Uncertain:
    """Return the surface's temperature with its uncertainty, carried to first order (JCGM 100).

    Parameters
    ----------
    apparent_c, apparent_sigma_k
        What the camera shows at emissivity 1, and its standard uncertainty.
    target
        The surface, with the uncertainties of what is known about it.

    Raises
    ------
    ValueError
        If no temperature explains the reading.
    """
    check_at_least(apparent_sigma_k, bound=0.0, name="apparent_sigma_k")
    true_c = float(to_true_c(apparent_c, target))
    if not math.isfinite(true_c):
        raise ValueError(
            f"apparent_c must be more than reflection and window alone give, got {apparent_c!r}"
        )
    band, tau, eps = target.band, target.transmission, target.emissivity
    slope = float(band_slope(true_c, band=band))

    def radiance(celsius: float) -> float:
        return float(band_radiance(celsius, band=band))

    def gradient(celsius: float) -> float:
        return float(band_slope(celsius, band=band))

    surface = eps * radiance(true_c) + (1 - eps) * radiance(target.reflected_c)
    by_surface = 1 / (eps * slope)  # K per W m-2 sr-1 leaving the surface
    parts = (
        ("camera", apparent_sigma_k * gradient(apparent_c) / tau * by_surface),
        (
            "emissivity",
            target.emissivity_sigma
            * abs(radiance(true_c) - radiance(target.reflected_c))
            * by_surface,
        ),
        (
            "reflected",
            target.reflected_sigma_k * (1 - eps) * gradient(target.reflected_c) * by_surface,
        ),
        (
            "transmission",
            target.transmission_sigma * abs(radiance(target.glass_c) - surface) / tau * by_surface,
        ),
        (
            "window",
            target.window_sigma_k * (1 - tau) * gradient(target.glass_c) / tau * by_surface,
        ),
    )  # fmt: skip
    sigma = math.sqrt(sum(s * s for _, s in parts))
    return Uncertain(true_c, sigma, tuple((n, s) for n, s in parts if s > 0))


def air_error_k(true_c: float, *, air_c: float, distance_m: float) -> tuple[float, float]:
    """Return by how much a path through indoor air lowers a reading, K: (weak lines, strong lines).

    The loss over 10 m is taken as 3 % (see the module's text); it grows with the distance for
    weak absorption and with its square root for strong lines. The truth lies between.
    """
    check_positive(distance_m, name="distance_m")
    contrast = float(band_radiance(true_c) - band_radiance(air_c)) / float(band_slope(true_c))
    weak = 1 - _AIR_TRANSMISSION_10_M ** (distance_m / 10)
    strong = 1 - _AIR_TRANSMISSION_10_M ** math.sqrt(distance_m / 10)
    return weak * contrast, strong * contrast


def _reflected(target: Target) -> FloatArray:
    return (1 - target.emissivity) * band_radiance(target.reflected_c, band=target.band)


def _from_window(target: Target) -> FloatArray:
    return (1 - target.transmission) * band_radiance(target.glass_c, band=target.band)


def apparent_sigma_k(true_c: float, target: Target, *, true_sigma_k: float) -> float:
    """Return the uncertainty of `to_apparent_c`, of the surface and of what is known of it."""
    apparent_c = float(to_apparent_c(true_c, target))
    known = measure_true_c(apparent_c, target, apparent_sigma_k=0.0)
    gain = (
        target.transmission
        * target.emissivity
        * float(band_slope(true_c, band=target.band) / band_slope(apparent_c, band=target.band))
    )
    return gain * math.hypot(true_sigma_k, known.sigma)
