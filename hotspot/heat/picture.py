"""Pictures for people: rise, its error, the deblurred source, the time course of a spot."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from hotspot.checks import FloatArray
from hotspot.frame import Step
from hotspot.heat.calm import CalmBins
from hotspot.heat.fit import HeatFit
from hotspot.heat.heatmap import HeatMap

# Weight of the time course around a spot, px.
TRACE_SIGMA_PX = 1.5
# Regularisation of the source map, relative to the strongest frequency: what lies 30 times below
# it is noise amplified, not source.
SOURCE_FLOOR = 1e-3


def build_heat_map(
    fit: HeatFit,
    calm_bins: CalmBins,
    *,
    cold: NDArray[np.float32],
    local_sigma: NDArray[np.float32],
    unit: str,
    spot_px: FloatArray | None,
    source: NDArray[np.float32],
    steps: tuple[Step, ...],
) -> HeatMap:
    """Return the heat map of a fit.

    Parameters
    ----------
    fit
        Contrast maps of the drive.
    calm_bins
        Drift-free bins.
    cold
        (rows, cols) cold picture.
    local_sigma
        (rows, cols) noise of a contrast.
    unit
        "K" or "relative".
    spot_px
        (2,) centre of the spot whose time course is wanted, or None.
    source
        (rows, cols) source map from `source_map`.
    steps
        Provenance.
    """
    end = hottest_bin(fit)
    course = fit.contrasts.courses[:, end]
    rise = rise_picture(fit)
    sigma = (float(np.linalg.norm(course)) * local_sigma).astype(np.float32)
    t_s: FloatArray = np.zeros(0)
    seen: FloatArray = np.zeros(0)
    fitted: FloatArray = np.zeros(0)
    if spot_px is not None:
        rows, cols = cold.shape
        y, x = np.mgrid[:rows, :cols]
        r2 = (x - spot_px[0]) ** 2 + (y - spot_px[1]) ** 2
        weight = np.where(calm_bins.bad, 0.0, np.exp(-0.5 * r2 / TRACE_SIGMA_PX**2))
        weight /= max(float(weight.sum()), 1e-12)
        t_s = calm_bins.bins.t_s
        seen = calm_bins.bins.values @ weight.reshape(-1).astype(np.float32)
        at_spot = fit.maps.reshape(len(fit.maps), -1) @ weight.reshape(-1).astype(np.float32)
        fitted = fit.contrasts.courses.T @ at_spot
        # What went as drift in step with the injection was put back into the maps: here as well.
        seen = seen + fit.contrasts.courses.T @ (at_spot - fit.contrasts.weights @ seen)
        # Offsets are free in each segment: the fit says nothing about them.
        for s in np.unique(calm_bins.bins.segment):
            inside = calm_bins.bins.segment == s
            seen = np.where(inside, seen - np.mean(seen[inside] - fitted[inside]), seen)
    return HeatMap(
        rise_k=rise,
        sigma_k=sigma,
        source=source,
        valid=~calm_bins.bad,
        cold=cold,
        unit=unit,
        trace_t_s=t_s,
        trace_k=np.asarray(seen),
        trace_fit_k=np.asarray(fitted),
        steps=steps,
    )


def hottest_bin(fit: HeatFit) -> int:
    """Return the bin in which an ordinary part (time constant 1.5 s) is hottest."""
    return int(np.argmax(fit.body[1]))


def rise_picture(fit: HeatFit) -> NDArray[np.float32]:
    """Return the rise (rows, cols) above cold when an ordinary part is hottest, as it was seen."""
    course = fit.contrasts.courses[:, hottest_bin(fit)].astype(np.float32)
    return np.asarray(np.tensordot(course, fit.maps, axes=1), dtype=np.float32)


def source_map(
    maps: NDArray[np.float32],
    *,
    transfer: NDArray[np.float32],
    inverse_noise: NDArray[np.float32],
    padded: tuple[int, int],
) -> NDArray[np.float32]:
    """Return where the heat comes from: the contrast maps divided by what a point would give.

    A regularised inverse of heat conduction over time and space at once (Wiener 1949): for every
    frequency sum(transfer x map / noise) / (sum(transfer^2 / noise) + floor).

    Parameters
    ----------
    maps
        (k, rows, cols) contrast maps.
    transfer
        (k, rows', cols'/2+1) transform of a point source.
    inverse_noise
        (k, k, rows', cols'/2+1) inverse noise covariance.
    padded
        Shape of the padded grid.
    """
    rows, cols = maps.shape[1:]
    transforms = fft.rfft2(maps, s=padded, axes=(1, 2))
    whitened = np.einsum("klij,lij->kij", inverse_noise, transfer)
    numerator = np.sum(whitened * transforms, axis=0)
    power = np.sum(transfer * whitened, axis=0)
    ratio = numerator / (power + SOURCE_FLOOR * float(power.max()))
    out: NDArray[np.float32] = fft.irfft2(ratio, s=padded)[:rows, :cols].astype(np.float32)
    return out
