"""Time courses at places, seen in the whole picture with its noise made white in space.

`hotspot.heat.courses` looks at a part through a window of some pixels, beside a free plane: no
drift disturbs that, but on a board with copper planes most of the heat has left the window within
a second. Here blobs of all widths are held against the picture, weighted by the noise that each
spatial frequency has: on a board at rest a part is heard up to 1.7 times as well (eight recordings
of pulses on boards with planes), in a restless room less well.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from hotspot.checks import FloatArray
from hotspot.heat.bands import remove_stripes
from hotspot.heat.bins import BinnedFrames
from hotspot.heat.courses import SPREADS_PX, Courses
from hotspot.heat.spectrum import Spectrum, measure_spectrum
from hotspot.heat.waves import frequencies, half_weights

# The ladder of widths goes on to what heat reaches on a board with planes in some ten seconds.
WIDE_SPREADS_PX = (*SPREADS_PX, 8.0, 13.0, 21.0)
_SQUARES = np.array(WIDE_SPREADS_PX) ** 2
# Wider blobs than this are read off a picture thinned by this factor, a pixel of it a sigma.
# Each thinned pixel is a small blob itself (of patterns its grid folds over, 1 % is left).
FINE_PX, THINNED, THINNED_SIGMA_PX = 4.0, 4, 2.0
# A blob's filter ends at this many sigma, where 1 % of its heat is beyond.
REACH_SIGMAS = 3.0
# Pictures at a time: no more than caches like.
CHUNK = 32


def build_wide_courses(
    bins: BinnedFrames,
    *,
    bad: NDArray[np.bool_],
    places: FloatArray,
    place_cov_px2: FloatArray,
    emissivity: NDArray[np.float32] | None,
) -> Courses:
    """Return the time courses at places.

    Parameters
    ----------
    bins, bad, places, place_cov_px2, emissivity
        As for `hotspot.heat.courses.build_courses`.
    """
    rows, cols = bad.shape
    spectrum = measure_spectrum(bins, bad=bad)
    grams = _grams(place_cov_px2, spectrum)
    inside = np.all((places >= 0) & (places <= [cols - 1, rows - 1]), axis=1)
    level = np.where(inside, 1 / np.sqrt(np.maximum(grams[:, 0, 0], 1e-12)), 0.0)
    grams *= level[:, None, None] ** 2
    narrowest = np.linalg.eigvalsh(place_cov_px2)[:, :1]
    sigma = np.sqrt(narrowest + _SQUARES)
    fine = _blobs(places, place_cov_px2, shape=bad.shape, thinned=1, drawn=sigma <= FINE_PX)
    wide = _blobs(places, place_cov_px2, shape=bad.shape, thinned=THINNED, drawn=sigma > FINE_PX)
    shown = (~bad).astype(np.float32) * (1.0 if emissivity is None else emissivity)
    courses = np.empty((len(bins.values), fine.shape[0]), dtype=np.float32)
    for first in range(0, len(bins.values), CHUNK):
        part = bins.values[first : first + CHUNK].reshape(-1, rows, cols)
        clean = spectrum.whitened(remove_stripes(np.where(bad, np.float32(0), part))) * shown
        thin = np.stack([_thinned(picture) for picture in clean]).reshape(len(part), -1)
        seen = fine @ clean.reshape(len(part), -1).T + wide @ thin.T
        courses[first : first + CHUNK] = seen.T
    courses -= courses.mean(axis=0)
    values = courses.reshape(len(courses), len(places), len(WIDE_SPREADS_PX)).transpose(2, 0, 1)
    return Courses(
        values=np.ascontiguousarray(values * level.astype(np.float32)),
        gram=np.where(inside[:, None, None], grams, np.eye(len(WIDE_SPREADS_PX))),
    )


def _grams(cov_px2: FloatArray, spectrum: Spectrum) -> FloatArray:
    """Inner products (m, widths, widths) of blobs of unit heat in the noise of the picture."""
    ky, kx = frequencies(spectrum.padded)
    weight = (spectrum.inverse * half_weights(spectrum.padded)).astype(np.float32)
    weight /= np.float32(spectrum.cells)
    square = ky**2 + kx**2
    spread = np.exp(-0.5 * _SQUARES[:, None, None] * square).astype(np.float32)
    # Of the blobs' product only the sum of the two spreads matters: pairs of widths.
    first, second = np.triu_indices(len(WIDE_SPREADS_PX))
    pairs = (spread[first] * spread[second] * weight).reshape(len(first), -1)
    unique, which = np.unique(np.round(cov_px2, 3).reshape(-1, 4), axis=0, return_inverse=True)
    out = np.empty((len(unique), len(WIDE_SPREADS_PX), len(WIDE_SPREADS_PX)))
    for n, (a, b, _, c) in enumerate(unique):
        body = np.exp(-(a * kx**2 + 2 * b * kx * ky + c * ky**2)).astype(np.float32)
        out[n, first, second] = out[n, second, first] = pairs @ body.reshape(-1)
    return out[which.reshape(-1)]


def _blobs(
    places: FloatArray,
    cov_px2: FloatArray,
    *,
    shape: tuple[int, int],
    thinned: int,
    drawn: NDArray[np.bool_],
) -> sparse.csr_matrix:
    """Return blobs of unit heat (m * widths, thinned pixels); rows that are not drawn are empty."""
    rows, cols = (-(-n // thinned) for n in shape)
    data, pixel, length = [], [], []
    for centre, extent, wanted in zip(places, cov_px2, drawn, strict=True):
        for spread2, yes in zip(_SQUARES, wanted, strict=True):
            length.append(0)
            if not yes:
                continue
            blurred2 = 0.0 if thinned == 1 else THINNED_SIGMA_PX**2
            cov = extent + (spread2 - blurred2) * np.eye(2)
            reach = REACH_SIGMAS * np.sqrt(np.diag(cov))
            at = centre / thinned
            low = np.maximum(np.ceil(at - reach / thinned), 0).astype(int)
            high = np.minimum(np.floor(at + reach / thinned), [cols - 1, rows - 1]).astype(int)
            if np.any(high < low):
                continue
            dx = thinned * (np.arange(low[0], high[0] + 1) - at[0])
            dy = thinned * (np.arange(low[1], high[1] + 1)[:, None] - at[1])
            ((a, b), (_, c)) = np.linalg.inv(cov)
            blob = np.exp(-0.5 * (a * dx**2 + 2 * b * dx * dy + c * dy**2))
            area = thinned**2 / (2 * np.pi * np.sqrt(np.linalg.det(cov)))
            data.append((area * blob).ravel())
            index = np.arange(low[1], high[1] + 1)[:, None] * cols + np.arange(low[0], high[0] + 1)
            pixel.append(index.ravel())
            length[-1] = index.size
    return sparse.csr_matrix(
        (
            np.concatenate(data or [np.zeros(0)]).astype(np.float32),
            np.concatenate(pixel or [np.zeros(0, int)]),
            np.concatenate([[0], np.cumsum(length)]),
        ),
        shape=(len(length), rows * cols),
    )


def _thinned(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return every THINNED-th pixel of a picture blurred so that nothing finer is left."""
    smooth = cv2.GaussianBlur(picture, (0, 0), THINNED_SIGMA_PX, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(smooth[::THINNED, ::THINNED], dtype=np.float32)
