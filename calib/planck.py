"""Planck's law in a band: radiance of a black surface as this camera sees it, and back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import constants
from scipy.interpolate import CubicSpline

from hotspot.checks import FloatArray
from hotspot.radiometry import ZERO_CELSIUS_K

# First (for radiance) and second radiation constants, CODATA 2018 through scipy.constants.
C1L_W_UM4_M2_SR = 2 * constants.h * constants.c**2 * 1e24
C2_UM_K = constants.h * constants.c / constants.k * 1e6

# Gauss-Legendre points per µm of band. Eight per µm of a smooth integrand are exact to 1e-12.
_POINTS_PER_UM = 8
# Temperatures the inverse covers; the table's spacing makes the first guess good to 1e-4 K and
# one Newton step makes it exact.
_LOWEST_K, _HIGHEST_K = 100.0, 2000.0


@dataclass(frozen=True, slots=True)
class Band:
    """Spectral response of a camera: straight lines between given points, zero outside.

    Attributes
    ----------
    wavelength_um
        Increasing wavelengths in µm.
    response
        Response at each, 0 to 1.
    """

    wavelength_um: tuple[float, ...] = (8.0, 14.0)
    response: tuple[float, ...] = (1.0, 1.0)

    def __post_init__(self) -> None:
        w, r = self.wavelength_um, self.response
        if len(w) < 2 or len(w) != len(r):
            raise ValueError(
                f"response must have one value per wavelength, 2 or more, got {len(r)}"
            )
        if not all(a < b for a, b in pairwise(w)) or not 0.2 <= w[0] < w[-1] <= 100:
            raise ValueError(f"wavelength_um must increase within 0.2 to 100, got {w!r}")
        if min(r) < 0 or max(r) <= 0:
            raise ValueError(f"response must be >= 0 and not zero throughout, got {r!r}")


LWIR = Band()


def band_radiance(temperature_c: Any, *, band: Band = LWIR) -> FloatArray:
    """Return the radiance of a black surface within the band, W m-2 sr-1.

    Parameters
    ----------
    temperature_c
        Any shape, °C.
    band
        Spectral response; 8-14 µm when not given.

    Notes
    -----
    L = ∫ R(λ) c1L λ⁻⁵ / (exp(c2 / λT) - 1) dλ (Planck 1901), Gauss-Legendre between the points of
    the response. At or below absolute zero the result is NaN.
    """
    return _integrate(temperature_c, band, _spectral)


def band_slope(temperature_c: Any, *, band: Band = LWIR) -> FloatArray:
    """Return the derivative of `band_radiance` by temperature, W m-2 sr-1 K-1."""
    return _integrate(temperature_c, band, _spectral_slope)


def to_temperature_c(radiance: Any, *, band: Band = LWIR) -> FloatArray:
    """Return the temperature in °C of a black surface that shines as much within the band.

    Notes
    -----
    Inverse of `band_radiance` to better than 1e-6 K between -150 and 1700 °C; NaN outside.
    """
    wanted = np.asarray(radiance, dtype=np.float64)
    guess, low, high = _inverse_table(band)
    inside = (wanted > low) & (wanted < high)
    level = np.where(inside, wanted, 0.5 * (low + high))
    kelvin = 1.0 / guess(np.log(level))
    celsius = kelvin - ZERO_CELSIUS_K
    error = band_radiance(celsius, band=band) - level
    out: FloatArray = np.where(inside, celsius - error / band_slope(celsius, band=band), np.nan)
    return out


def spectral_radiance(wavelength_um: Any, temperature_k: Any) -> FloatArray:
    """Return Planck's spectral radiance, W m-2 µm-1 sr-1."""
    return _spectral(np.asarray(wavelength_um, np.float64), np.asarray(temperature_k, np.float64))


def _spectral(wavelength_um: Any, kelvin: FloatArray) -> FloatArray:
    with np.errstate(over="ignore"):
        out: FloatArray = (
            C1L_W_UM4_M2_SR / wavelength_um**5 / np.expm1(C2_UM_K / (wavelength_um * kelvin))
        )
    return out


def _spectral_slope(wavelength_um: Any, kelvin: FloatArray) -> FloatArray:
    x = C2_UM_K / (wavelength_um * kelvin)
    # x exp(x) / (exp(x) - 1) written so that nothing overflows at low temperatures.
    out: FloatArray = _spectral(wavelength_um, kelvin) * x / (kelvin * -np.expm1(-x))
    return out


@lru_cache(maxsize=16)
def _quadrature(band: Band) -> tuple[FloatArray, FloatArray]:
    wavelengths, weights = [], []
    for k in range(len(band.wavelength_um) - 1):
        (a, b), (ra, rb) = band.wavelength_um[k : k + 2], band.response[k : k + 2]
        x, w = np.polynomial.legendre.leggauss(max(4, int(np.ceil(_POINTS_PER_UM * (b - a)))))
        wavelengths.append(0.5 * (a + b) + 0.5 * (b - a) * x)
        share = 0.5 * (1 + x)
        weights.append(0.5 * (b - a) * w * ((1 - share) * ra + share * rb))
    return np.concatenate(wavelengths), np.concatenate(weights)


def _integrate(
    temperature_c: Any, band: Band, spectral: Callable[[Any, FloatArray], FloatArray]
) -> FloatArray:
    kelvin = np.asarray(temperature_c, dtype=np.float64) + ZERO_CELSIUS_K
    kelvin = np.where(kelvin > 0, kelvin, np.nan)
    total: NDArray[np.float64] = np.zeros_like(kelvin)
    # One wavelength after the other: a picture's worth of memory at a time.
    for wavelength, weight in zip(*_quadrature(band), strict=True):
        total = total + weight * spectral(wavelength, kelvin)
    return total


@lru_cache(maxsize=16)
def _inverse_table(band: Band) -> tuple[CubicSpline, float, float]:
    # ln L is nearly straight in 1/T, so a spline through a few hundred points is very close.
    kelvin = 1.0 / np.linspace(1 / _HIGHEST_K, 1 / _LOWEST_K, 400)[::-1]
    radiance = band_radiance(kelvin - ZERO_CELSIUS_K, band=band)
    return CubicSpline(np.log(radiance), 1 / kelvin), float(radiance[0]), float(radiance[-1])
