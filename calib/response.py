"""From known temperatures and counts to the camera's response, with residuals and refusals."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy import stats

from calib.curves import fit_radiance_curve
from calib.planck import LWIR, Band, band_radiance, band_slope, to_temperature_c
from calib.radiometry import Target, apparent_sigma_k, to_apparent_c
from calib.references import Reference
from hotspot.checks import FloatArray, freeze
from hotspot.errors import InputError
from hotspot.profile import CameraProfile, RadianceCurve, Values

# Points nearer than this say nothing about a slope: baths differ from their surface by 0.1 K.
LEAST_SPAN_K = 2.0
# A slope less certain than this is no calibration: 5 % of a 60 K range are 3 K.
WORST_SLOPE = 0.05
# A point this many standard uncertainties off the fit is named (1 in 370 by chance).
FAR_SIGMAS = 3.0
# Chance below which residuals count as larger than the stated uncertainties allow.
UNLIKELY = 0.01
# Responses an uncooled camera may have instead of an even 8-14 µm.
OTHER_BANDS = (Band((7.5, 13.0)), Band((8.0, 12.0)), Band((9.5, 10.5)))
# The three-parameter curve is fitted this far beyond the points, K.
BELOW_K, ABOVE_K = 30.0, 60.0


@dataclass(frozen=True, slots=True)
class ResponsePoint:
    """A known temperature and what the camera gave for it.

    Attributes
    ----------
    reference
        The temperature.
    counts, counts_sigma
        Mean of the camera's values there, with its standard uncertainty.
    """

    reference: Reference
    counts: float
    counts_sigma: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class ResponseFit:
    """counts = intercept + slope · x, where x is °C ("linear") or band radiance ("radiance").

    Attributes
    ----------
    kind
        "linear" or "radiance".
    intercept, slope
        In counts, and counts per °C or per W m-2 sr-1.
    covariance
        (2, 2) of both; scaled up where the residuals are larger than the points' uncertainties.
    points
        As given, by temperature.
    apparent_c, point_sigma_k
        (n,) temperature that the camera should show at each point, and its uncertainty.
    residual_k
        (n,) reading minus known temperature.
    chi_square, dof
        Of the residuals by the stated uncertainties; dof 0 for two points: nothing is checked.
    band
        Spectral response used for radiance.
    alternatives
        (band, intercept, slope) of the same points with other spectral responses.
    curve, curve_error_k
        The three-parameter curve of a profile, and how far it is from the band integral at most.
    warnings
        What to look at, one sentence each.
    """

    kind: str
    intercept: float
    slope: float
    covariance: FloatArray
    points: tuple[ResponsePoint, ...]
    apparent_c: FloatArray
    point_sigma_k: FloatArray
    residual_k: FloatArray
    chi_square: float
    dof: int
    band: Band = LWIR
    alternatives: tuple[tuple[Band, float, float], ...] = ()
    curve: RadianceCurve | None = None
    curve_error_k: float = 0.0
    warnings: tuple[str, ...] = ()

    def sigma_k(self, celsius: float) -> float:
        """Return the uncertainty that calibration leaves at a temperature, K."""
        x, per_k = _regressor(celsius, self.kind, self.band)
        row = np.array([1.0, float(x)])
        fitted = float(np.sqrt(row @ self.covariance @ row) / abs(self.slope * float(per_k)))
        return math.hypot(fitted, self.response_sigma_k(celsius))

    def response_sigma_k(self, celsius: float) -> float:
        """Return the part of it that comes from not knowing the camera's spectral response.

        The same points fitted with other bands read differently in between; the largest
        difference is taken as the half-width of an even distribution.
        """
        counts = self.intercept + self.slope * float(_regressor(celsius, self.kind, self.band)[0])
        off = [
            abs(float(to_temperature_c((counts - base) / slope, band=band)) - celsius)
            for band, base, slope in self.alternatives
        ]
        return max(off, default=0.0) / math.sqrt(3.0)

    def to_profile(self, profile: CameraProfile) -> CameraProfile:
        """Return the profile with this response in it."""
        base = replace(profile, values=Values.COUNTS, scale=None, offset=None, radiance_curve=None)
        if self.kind == "linear":
            return replace(base, scale=1 / self.slope, offset=-self.intercept / self.slope)
        return replace(base, radiance_curve=self.curve)


def fit_response(
    points: tuple[ResponsePoint, ...], *, kind: str = "radiance", target: Target | None = None
) -> ResponseFit:
    """Fit the response of a camera to two or more known temperatures.

    Parameters
    ----------
    points
        The points; their uncertainties are the weights.
    kind
        "radiance" for raw counts that grow with the light (the usual uncooled sensor), "linear"
        for counts that the camera has already made linear in temperature.
    target
        The surface looked at: its emissivity, reflection and uncertainties. Emissivity 1 if None.

    Raises
    ------
    InputError
        Fewer than two points, points too close for their uncertainty, counts that do not keep
        the order of the temperatures, or falling counts where radiance is wanted.

    Notes
    -----
    Weighted least squares with the uncertainties of temperature carried into counts by the slope
    (effective variance, iterated).
    """
    if kind not in ("radiance", "linear"):
        raise ValueError(f"kind must be radiance or linear, got {kind!r}")
    surface = target if target is not None else Target()
    ordered = tuple(sorted(points, key=lambda p: p.reference.temperature_c))
    _check_order(ordered)
    apparent = np.array([float(to_apparent_c(p.reference.temperature_c, surface)) for p in ordered])
    sigma_k = np.array(
        [
            apparent_sigma_k(p.reference.temperature_c, surface, true_sigma_k=p.reference.sigma_k)
            for p in ordered
        ]
    )
    counts = np.array([p.counts for p in ordered])
    counts_sigma = np.array([p.counts_sigma for p in ordered])
    x, per_k = _regressor(apparent, kind, surface.band)
    slope = (counts[-1] - counts[0]) / (x[-1] - x[0])
    if kind == "radiance" and slope < 0:
        raise InputError(
            "counts fall with rising temperature, which no radiance curve can be",
            cure="Check the byte order of the raw plane, or fit with kind linear",
        )
    for _ in range(4):
        sigma = np.hypot(counts_sigma, slope * per_k * sigma_k)
        design = np.stack([np.ones_like(x), x], axis=1) / sigma[:, None]
        covariance = np.linalg.inv(design.T @ design)
        intercept, slope = (covariance @ design.T @ (counts / sigma)).tolist()
    residual = counts - intercept - slope * x
    dof = len(ordered) - 2
    chi_square = float(np.sum((residual / sigma) ** 2))
    relative = math.sqrt(covariance[1, 1]) / abs(slope)
    if relative > WORST_SLOPE:
        raise InputError(
            f"the points are too close for their uncertainty: the slope is good to {relative:.0%}"
            " only",
            cure="Take points further apart, such as ice and boiling water",
        )
    if dof > 0:
        covariance = covariance * max(1.0, chi_square / dof)
    residual_k = residual / (slope * per_k)
    curve, curve_error = None, 0.0
    if kind == "radiance":
        curve, curve_error = fit_radiance_curve(
            intercept, slope, low_c=apparent[0] - BELOW_K, high_c=apparent[-1] + ABOVE_K,
            band=surface.band,
        )  # fmt: skip
    return ResponseFit(
        kind=kind,
        intercept=intercept,
        slope=slope,
        covariance=freeze(covariance),
        points=ordered,
        apparent_c=freeze(apparent),
        point_sigma_k=freeze(sigma_k),
        residual_k=freeze(residual_k),
        chi_square=chi_square,
        dof=dof,
        band=surface.band,
        alternatives=_alternatives(apparent, counts, sigma) if kind == "radiance" else (),
        curve=curve,
        curve_error_k=curve_error,
        warnings=_warnings(ordered, residual_k, residual / sigma, chi_square, dof),
    )


def _regressor(celsius: float | FloatArray, kind: str, band: Band) -> tuple[FloatArray, FloatArray]:
    """Return x and its derivative by temperature."""
    if kind == "linear":
        return np.asarray(celsius, dtype=np.float64), np.ones_like(celsius, dtype=np.float64)
    return band_radiance(celsius, band=band), band_slope(celsius, band=band)


def _alternatives(
    apparent: FloatArray, counts: FloatArray, sigma: FloatArray
) -> tuple[tuple[Band, float, float], ...]:
    out = []
    for band in OTHER_BANDS:
        x = band_radiance(apparent, band=band)
        design = np.stack([np.ones_like(x), x], axis=1) / sigma[:, None]
        base, slope = np.linalg.lstsq(design, counts / sigma, rcond=None)[0].tolist()
        out.append((band, float(base), float(slope)))
    return tuple(out)


def _check_order(points: tuple[ResponsePoint, ...]) -> None:
    if len(points) < 2:
        raise InputError(
            f"{len(points)} reference point is not enough", cure="Give two or more, far apart"
        )
    temperatures = [p.reference.temperature_c for p in points]
    span = temperatures[-1] - temperatures[0]
    if span < LEAST_SPAN_K:
        raise InputError(
            f"the points span {span:.2f} K only",
            cure="Take points further apart, such as ice and boiling water",
        )
    for before, after in pairwise(points):
        rises = points[-1].counts > points[0].counts
        apart = after.reference.temperature_c - before.reference.temperature_c
        # Two readings of one bath may come in any order; what differs beyond doubt may not.
        doubt = 3 * math.hypot(before.reference.sigma_k, after.reference.sigma_k)
        if apart > doubt and (after.counts > before.counts) != rises:
            raise InputError(
                f"counts do not keep the order of the temperatures: {before.counts:g} at"
                f" {before.reference.temperature_c:.2f} °C, {after.counts:g} at"
                f" {after.reference.temperature_c:.2f} °C",
                cure="Look for swapped lines, or a shutter event between the readings",
            )
    if points[0].counts == points[-1].counts:
        raise InputError("the counts do not change with temperature", cure="Check the readings")


def _warnings(
    points: tuple[ResponsePoint, ...],
    residual_k: FloatArray,
    pull: FloatArray,
    chi_square: float,
    dof: int,
) -> tuple[str, ...]:
    out = []
    if dof > 0 and float(stats.chi2.sf(chi_square, dof)) < UNLIKELY:
        out.append(
            f"residuals up to {np.abs(residual_k).max():.2f} K are larger than the stated"
            " uncertainties allow: look at the points, or at the kind of response"
        )
    if dof == 0:
        out.append("two points fit any line: a third would show whether they are right")
    for point, off_k, sigmas in zip(points, residual_k, pull, strict=True):
        if dof > 0 and abs(sigmas) > FAR_SIGMAS:
            out.append(
                f"{point.reference.name} at {point.reference.temperature_c:.2f} °C is off by"
                f" {off_k:+.2f} K, {abs(sigmas):.1f} times its uncertainty"
            )
    return tuple(out)
