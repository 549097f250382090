"""The three-parameter curve of a profile, fitted to Planck's law in a band."""

from __future__ import annotations

import numpy as np
from scipy.optimize import least_squares

from calib.planck import LWIR, Band, band_radiance, band_slope
from hotspot.checks import FloatArray
from hotspot.profile import RadianceCurve
from hotspot.radiometry import ZERO_CELSIUS_K


def fit_radiance_curve(
    intercept: float, slope: float, *, low_c: float, high_c: float, band: Band = LWIR
) -> tuple[RadianceCurve, float]:
    """Return the curve T_K = b / ln(r / (counts - offset) + f) nearest to a band integral.

    Parameters
    ----------
    intercept, slope
        counts = intercept + slope · radiance.
    low_c, high_c
        Range of the fit.
    band
        Spectral response.

    Returns
    -------
    (RadianceCurve, float)
        And the largest error within the range, K.
    """
    celsius = np.linspace(low_c, high_c, 80)
    kelvin = celsius + ZERO_CELSIUS_K
    radiance = band_radiance(celsius, band=band)
    per_k = band_slope(celsius, band=band)
    middle = float(np.average(band.wavelength_um, weights=np.maximum(band.response, 1e-9)))

    def shape(parameters: FloatArray) -> FloatArray:
        b, f = parameters
        out: FloatArray = 1.0 / (np.exp(b / kelvin) - f)
        return out

    def solve(parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        design = np.stack([shape(parameters), np.ones_like(kelvin)], axis=1) / per_k[:, None]
        amounts = np.linalg.lstsq(design, radiance / per_k, rcond=None)[0]
        return amounts, design @ amounts - radiance / per_k

    start = np.array([14387.77 / middle, 1.0])

    def error_k(parameters: FloatArray) -> FloatArray:
        return solve(parameters)[1]

    found = least_squares(error_k, start, x_scale=[1000.0, 1.0])
    (r, base), error = solve(found.x)
    curve = RadianceCurve(
        r=float(slope * r), b=float(found.x[0]), f=float(found.x[1]),
        offset=float(intercept + slope * base),
    )  # fmt: skip
    return curve, float(np.abs(error).max())
