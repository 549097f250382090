"""Noise of smooth patterns: drift is slower and stronger the smoother it is."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.noise import (
    fit_proven_amounts,
    most_of_noise,
    robust_variance,
    variance_of,
)
from hotspot.heat.robust import median_of

# Widths of the bands in which smooth noise is measured, px; octaves from twice a sharp spot to a
# large part of the picture.
BAND_SIGMAS_PX = (2.0, 4.0, 8.0, 16.0)


# Drift is smooth; what a finer band shows in the signal contrasts is heat as well as noise.
SMOOTH_FROM_PX = 4.0
THREADS = 2  # a bench laptop has two cores
# Values beyond this many sigma are heat and do not count as smooth noise.
CLIP = 2.0
# A band is the difference of Gaussians of sigma and 2 sigma. Integral of its squared transform,
# times sigma^2: what it passes of white noise of unit power.
GAIN = (1 - 2 / 2.5 + 1 / 4) / (4 * np.pi)
# Independent values in a band-passed map: the squared integral of the squared transform over that
# of its fourth power, 0.45^2 / 0.0668 / (4 pi), in areas of sigma^2.
AREAS = 0.24
# A variance from the median absolute deviation is as good as one from this share of the samples
# (Huber, Robust Statistics, sec. 5.1).
MAD_EFFICIENCY = 0.37


@dataclass(frozen=True, slots=True, eq=False)
class Bands:
    """Noise covariance of contrasts in bands of spatial frequencies.

    Attributes
    ----------
    rad_px
        (bands,) middle of each band, rad/px, ascending.
    cov
        (bands, k, k) covariance of the signal contrasts; the unit matrix where the noise is
        independent between pixels.
    quiet_power
        (bands,) mean power that the same model gives the quiet contrasts.
    """

    rad_px: FloatArray
    cov: FloatArray
    quiet_power: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class QuietBands:
    """What the quiet contrasts say of the noise of smooth patterns.

    Attributes
    ----------
    sigmas_px
        (bands,) widths, widest first.
    rad_px
        (bands,) middle of each band, rad/px, ascending.
    cov
        (bands, k, k) covariance predicted for the signal contrasts.
    quiet_power
        (bands,) mean power that the same model gives the quiet contrasts.
    areas
        (bands,) independent values in a band of one picture.
    """

    sigmas_px: tuple[float, ...]
    rad_px: FloatArray
    cov: FloatArray
    quiet_power: FloatArray
    areas: FloatArray


def measure_quiet_bands(
    quiet_maps: NDArray[np.float32],
    *,
    quiet: FloatArray,
    weights: FloatArray,
    covariance: FloatArray,
    components: tuple[FloatArray, ...],
    bad: NDArray[np.bool_],
) -> QuietBands:
    """Measure the noise of smooth patterns on quiet contrasts and predict the signal contrasts'.

    Parameters
    ----------
    quiet_maps
        (r, rows, cols) maps of the quiet contrasts.
    quiet, weights
        (r, bins) and (k, bins) weights of the quiet and of the signal contrasts.
    covariance
        (bins, bins) noise of a pixel over time: what smooth patterns have in any case.
    components
        Kinds of noise over time, `hotspot.heat.noise.noise_components`.
    bad
        (rows, cols) pixels that say nothing.
    """
    rad_px, cov, quiet_power, every_area = [], [], [], []
    kinds = (covariance, *components[1:])
    of_quiet = [float(np.mean(variance_of(quiet, c))) for c in kinds]
    of_signal = [weights @ c @ weights.T for c in kinds]
    banded = _banded(quiet_maps, bad)
    for sigma, series in banded.items():
        areas = max(1.0, AREAS * bad.size / sigma**2)
        amounts = fit_proven_amounts(
            robust_variance(series) / GAIN * sigma**2,
            contrasts=quiet,
            base=covariance,
            components=components[1:],
            samples=MAD_EFFICIENCY * areas,
        )
        # Its transform peaks where exp(-s2k2/2) - exp(-2 s2k2) does: k = sqrt(2 ln 4 / 3) / s.
        rad_px.append(np.sqrt(2 * np.log(4) / 3) / sigma)
        cov.append(np.asarray(sum(a * c for a, c in zip(amounts, of_signal, strict=True))))
        quiet_power.append(sum(a * c for a, c in zip(amounts, of_quiet, strict=True)))
        every_area.append(areas)
    k = len(weights)
    return QuietBands(
        sigmas_px=tuple(banded),
        rad_px=np.array(rad_px),
        cov=np.array(cov).reshape(-1, k, k),
        quiet_power=np.array(quiet_power),
        areas=np.array(every_area),
    )


def measure_bands(seen: QuietBands, *, maps: NDArray[np.float32], bad: NDArray[np.bool_]) -> Bands:
    """Return the noise of smooth patterns in the signal contrasts.

    Drift that runs like the signal itself, up with the warming, is in no quiet contrast; it fills
    the whole picture, and heat does not.

    Parameters
    ----------
    seen
        What the quiet contrasts predict.
    maps
        (k, rows, cols) maps of the signal contrasts, without the heat that is known.
    bad
        (rows, cols) pixels that say nothing.
    """
    cov = []
    banded = _banded(maps, bad)
    for predicted, areas, sigma in zip(seen.cov, seen.areas, seen.sigmas_px, strict=True):
        if sigma < SMOOTH_FROM_PX:
            cov.append(predicted)
            continue
        most = most_of_noise(len(maps), samples=float(areas))
        shown = _robust_cov(banded[sigma]) / GAIN * sigma**2
        cov.append(_larger(predicted, shown, most=most))
    k = len(maps)
    return Bands(
        rad_px=seen.rad_px, cov=np.array(cov).reshape(-1, k, k), quiet_power=seen.quiet_power
    )


def _robust_cov(maps: NDArray[np.float32]) -> FloatArray:
    """Covariance (k, k) over pixels of maps whose extremes (heat) are cut off."""
    flat = maps.reshape(len(maps), -1).astype(np.float64)
    flat -= np.array([[median_of(row)] for row in flat])
    sigma = 1.4826 * np.array([[median_of(np.abs(row))] for row in flat])
    clipped = np.clip(flat, -CLIP * sigma, CLIP * sigma)
    out: FloatArray = clipped @ clipped.T / clipped.shape[1]
    return out


def _larger(a: FloatArray, b: FloatArray, *, most: float) -> FloatArray:
    """Covariance `a`, raised in the directions in which `b` is larger than chance allows."""
    root = np.linalg.cholesky(a)
    inverse = np.linalg.inv(root)
    value, vector = np.linalg.eigh(inverse @ b @ inverse.T)
    raised = np.where(value > most, value, 1.0)
    side = root @ vector
    out: FloatArray = (side * raised) @ side.T
    return out


def remove_stripes(pictures: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return pictures (n, rows, cols) less the mean of each row and of each column."""
    level = pictures.mean(axis=(1, 2), keepdims=True)
    out: NDArray[np.float32] = (
        pictures
        - pictures.mean(axis=2, keepdims=True)
        - pictures.mean(axis=1, keepdims=True)
        + level
    )
    return out


def _banded(
    pictures: NDArray[np.float32], bad: NDArray[np.bool_]
) -> dict[float, NDArray[np.float32]]:
    """Pictures (n, rows, cols) in each band by its width, widest first.

    Each width is blurred from the one before and then thinned to a pixel per width, where nothing
    finer is left; smoothing holds no lock of the interpreter.
    """
    sigmas = [s for s in BAND_SIGMAS_PX if 5 * s < min(bad.shape)]
    # Stripes are a matter of their own lines of the spectrum, not of smooth patterns.
    clean = remove_stripes(np.where(bad, np.float32(0), pictures))

    def ladder(picture: NDArray[np.float32]) -> list[NDArray[np.float32]]:
        bands, grid, narrow = [], 1, np.zeros((0, 0), np.float32)
        for sigma in sigmas:
            if grid == 1:
                narrow = _blurred(picture, sigma)
            step = max(1, round(sigma / grid))
            narrow, grid = narrow[::step, ::step], grid * step
            wide = _blurred(narrow, np.sqrt(3) * sigma / grid)
            bands.append(narrow - wide)
            narrow = wide
        return bands

    with ThreadPoolExecutor(THREADS) as pool:
        made = list(pool.map(ladder, clean))
    return {s: np.stack([m[i] for m in made]) for i, s in reversed(list(enumerate(sigmas)))}


def _blurred(picture: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    out = cv2.GaussianBlur(
        np.ascontiguousarray(picture), (0, 0), sigma, borderType=cv2.BORDER_REFLECT
    )
    return np.asarray(out, dtype=np.float32)
