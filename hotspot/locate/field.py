"""Contrast maps with the measured noise they carry: the field in which spots are looked for.

The noise of a contrast map is neither white nor the same everywhere. Its spectrum (stripes, optics
that correlate neighbours, drift that is left) and its local strength (pixels where something moves,
mirrored in metal) are both measured from the quiet contrasts of the same recording, maps of the
same kind of time course that hold no signal.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from hotspot.checks import FloatArray
from hotspot.heat.bands import Bands
from hotspot.heat.evident import LEAK_SHARE
from hotspot.heat.waves import frequencies, padded_shape, taper

# Local noise strength is averaged over this radius: about 80 pixels times the quiet contrasts.
LOCAL_SIGMA_PX = 2.5
# The spectrum is averaged over this many frequency cells.
SPECTRUM_SIGMA = 3.0
# Values beyond this many sigma do not count for the spectrum: they are heat that leaked in.
CLIP_SIGMA = 4.0
# Waves across the picture that the surfaces of drift removal take out.
REMOVED_WAVES = 1.5
# Below this spatial frequency the shape of a strong spot is less known than its noise, rad/px:
# waves of 8 px and longer (of 0.4 to 1.2 tried, the least sensitive to what the board is like).
SHAPE_RAD_PX = 0.8
# Least noise of smooth patterns, in terms of the noise between neighbouring pixels; below it the
# measurement of a band has too few independent areas to be believed.
LEAST_POWER = 0.8
# Rings in which the spectrum is described.
RADIAL_CELLS = 40
# Spots keep this far from the border, px: the filter there looks at half a spot.
BORDER_PX = 3
# Half-width in cells of the two lines of the spectrum that hold row and column noise.
LINE_CELLS = 2


@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """Standardised contrast maps and their noise.

    Attributes
    ----------
    maps
        (k, rows, cols) float32 signal contrasts, divided by the local noise.
    quiet
        (r, rows, cols) float32 quiet contrasts, divided by the local noise.
    local_sigma
        (rows, cols) float32 local noise of a contrast; 1 is what theory says.
    quiet_sigma
        (rows, cols) float32 the same as the quiet contrasts alone show it.
    inverse_noise
        (k, k, rows', cols'/2+1) float32: inverse of the noise covariance of the contrasts at each
        frequency of the padded grid; zero where drift removal leaves nothing to look for.
    bad
        (rows, cols) bool.
    white_inverse
        Inverse noise power between neighbouring pixels.
    beside
        (rows, cols) bool: what lies beside the board, where no current flows; None when unknown.
    """

    maps: NDArray[np.float32]
    quiet: NDArray[np.float32]
    local_sigma: NDArray[np.float32]
    quiet_sigma: NDArray[np.float32]
    inverse_noise: NDArray[np.float32]
    bad: NDArray[np.bool_]
    white_inverse: float = 1.0
    beside: NDArray[np.bool_] | None = None

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, cols)."""
        return int(self.maps.shape[1]), int(self.maps.shape[2])

    @property
    def searched(self) -> NDArray[np.bool_]:
        """(rows, cols) the pixels in which a spot may be found."""
        out = inner(self.bad)
        return out if self.beside is None else out & ~self.beside

    @property
    def padded(self) -> tuple[int, int]:
        """Shape of the padded grid."""
        return padded_shape(self.shape)


def inner(bad: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the good pixels (rows, cols) that are not at the border."""
    out = ~bad
    out[:BORDER_PX] = out[-BORDER_PX:] = False
    out[:, :BORDER_PX] = out[:, -BORDER_PX:] = False
    return out


def fill_bad(maps: NDArray[np.float32], bad: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return maps (n, rows, cols) with bad pixels replaced by the mean of good neighbours."""
    if not bad.any():
        return maps
    weight = _smoothed((~bad).astype(np.float32))[bad]
    known = weight > 1e-3
    out = maps.copy()
    for picture in out:
        picture[bad] = 0.0
        around = _smoothed(picture)[bad]
        picture[bad] = np.where(known, around / np.maximum(weight, 1e-6), 0.0)
    return out


def _smoothed(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(
        cv2.GaussianBlur(picture, (9, 9), 1.0, borderType=cv2.BORDER_REFLECT), dtype=np.float32
    )


def build_field(
    maps: NDArray[np.float32],
    *,
    quiet: NDArray[np.float32],
    bad: NDArray[np.bool_],
    bands: Bands,
    doubt: NDArray[np.float32] | None = None,
    beside: NDArray[np.bool_] | None = None,
) -> Field:
    """Return the field of signal contrasts `maps` with the noise that `quiet` shows.

    Parameters
    ----------
    maps
        (k, rows, cols) signal contrasts of unit variance where the noise model holds.
    quiet
        (r, rows, cols) quiet contrasts.
    bad
        (rows, cols) pixels that say nothing.
    bands
        Noise that smooth patterns are predicted to have in the signal contrasts; drift is slow,
        and the quiet contrasts are not quite as slow.
    doubt
        (rows, cols) standard deviation of what drift removal may have left of itself in a signal
        contrast (`hotspot.heat.fit.HeatFit.doubt`); none when None.
    beside
        (rows, cols) what lies beside the board, None when unknown.
    """
    maps = fill_bad(maps, bad)
    quiet = fill_bad(quiet, bad)
    power = np.mean(quiet**2, axis=0) if len(quiet) else np.ones(bad.shape, np.float32)
    if len(quiet):
        leaked = np.float32(LEAK_SHARE / len(quiet)) * np.sum(maps**2, axis=0)
        power = np.maximum(power - leaked, np.minimum(power, np.median(power)))
    smooth = cv2.GaussianBlur(power, (0, 0), LOCAL_SIGMA_PX, borderType=cv2.BORDER_REFLECT)
    typical = float(np.median(power[~bad])) if (~bad).any() else 1.0
    # A single pixel far above its surroundings (blinking) is its own noise.
    lonely = power > 6.0 * smooth
    local = np.sqrt(np.maximum(np.where(lonely, power, smooth), 0.25 * typical))
    local = np.maximum(local, 1e-12).astype(np.float32)
    total = local if doubt is None else np.sqrt(local**2 + doubt**2).astype(np.float32)
    standard = np.clip(quiet / local, -CLIP_SIGMA, CLIP_SIGMA).astype(np.float32)
    spectrum = _spectrum(standard, shape=bad.shape)
    return Field(
        maps=(maps / total).astype(np.float32),
        quiet=(quiet / local).astype(np.float32),
        local_sigma=total,
        quiet_sigma=local,
        inverse_noise=_inverse_noise(
            spectrum,
            shape=bad.shape,
            contrasts=len(maps),
            bands=bands,
            typical=max(typical, 1e-12),
        ),
        bad=bad,
        white_inverse=1.0 / float(np.median(spectrum)),
        beside=beside,
    )


def _spectrum(
    quiet: NDArray[np.float32],
    *,
    shape: tuple[int, int],
) -> NDArray[np.float32]:
    padded = padded_shape(shape)
    if len(quiet) == 0:
        return np.ones((padded[0], padded[1] // 2 + 1), dtype=np.float32)
    fading = taper(shape)
    total = np.zeros((padded[0], padded[1] // 2 + 1))
    for picture in quiet:
        seen = fft.rfft2(picture * fading, s=padded)
        total += seen.real**2 + seen.imag**2
    raw = total / (len(quiet) * float(np.sum(fading**2)))
    rows = raw.shape[0]
    on_column_line = np.zeros(raw.shape, dtype=bool)
    on_row_line = np.zeros(raw.shape, dtype=bool)
    on_row_line[:, : LINE_CELLS + 1] = True  # kx near 0: each row its own offset
    on_column_line[: LINE_CELLS + 1] = True  # ky near 0: each column its own offset
    on_column_line[rows - LINE_CELLS :] = True
    line = on_row_line | on_column_line
    weight = gaussian_filter((~line).astype(float), SPECTRUM_SIGMA, mode=("wrap", "reflect"))
    smooth = gaussian_filter(np.where(line, 0.0, raw), SPECTRUM_SIGMA, mode=("wrap", "reflect"))
    out = smooth / np.maximum(weight, 1e-9)
    along_rows = gaussian_filter1d(raw, SPECTRUM_SIGMA, axis=0, mode="wrap")
    along_columns = gaussian_filter1d(raw, SPECTRUM_SIGMA, axis=1, mode="reflect")
    out = np.where(on_row_line, along_rows, out)
    out = np.where(on_column_line, along_columns, out)
    corner = on_row_line & on_column_line
    out = np.where(corner, np.maximum(along_rows, along_columns), out)
    # No part of the spectrum is quieter than a twentieth of its middle: quantised pictures have
    # holes that a filter must not dig in.
    return np.maximum(out, 0.05 * float(np.median(out))).astype(np.float32)


def reddened(field: Field, *, maps: NDArray[np.float32]) -> Field:
    """Return a field for spots far above the noise, judged by their sharpest part.

    What limits the place of a strong spot is not the camera but how well its shape is known: wide
    heat is bent by copper, board edges and the current's path. Its error falls with the square of
    the spatial frequency, as that of a heat flow through unknown conductors does; the finest part
    of the picture then decides, as it does for the eye.

    Parameters
    ----------
    field
        As measured.
    maps
        (k, rows, cols) contrast maps with all heat in them, not divided by the local noise.
    """
    ky, kx = frequencies(field.padded)
    radius2 = np.maximum(ky**2 + kx**2, 1e-9)
    weight = (1.0 / (1.0 + SHAPE_RAD_PX**2 / radius2)).astype(np.float32)
    weight[0, 0] = 0.0
    contrasts = len(maps)
    inverse = np.zeros((contrasts, contrasts, *weight.shape), dtype=np.float32)
    for k in range(contrasts):
        inverse[k, k] = field.white_inverse * weight
    even = np.full_like(field.quiet_sigma, np.median(field.quiet_sigma))
    return replace(
        field,
        maps=(fill_bad(maps, field.bad) / even).astype(np.float32),
        local_sigma=even,
        inverse_noise=inverse,
    )


def _inverse_noise(
    spectrum: NDArray[np.float32],
    *,
    shape: tuple[int, int],
    contrasts: int,
    bands: Bands,
    typical: float,
) -> NDArray[np.float32]:
    """Inverse noise covariance of the contrasts on the padded grid.

    Above the finest band the contrasts share the measured spectrum and are independent. Below,
    they have the covariance that the bands predict, times what the spectrum of the quiet
    contrasts shows beyond what the same model predicts for them (stripes).
    """
    padded = padded_shape(shape)
    ky, kx = frequencies(padded)
    radius = np.hypot(ky, kx)
    edges = np.geomspace(0.5 * 2 * np.pi / max(padded), 1.01 * radius.max(), RADIAL_CELLS)
    ring = np.clip(np.digitize(radius, edges), 0, RADIAL_CELLS - 1)
    count = np.bincount(ring.ravel(), minlength=RADIAL_CELLS)
    middle = np.bincount(ring.ravel(), radius.ravel(), RADIAL_CELLS) / np.maximum(count, 1)
    inverse = np.tile(np.eye(contrasts), (RADIAL_CELLS, 1, 1))
    power = np.zeros(RADIAL_CELLS)  # 0: as independent as between pixels
    log_band = np.log(bands.rad_px)
    plateau = float(np.median(spectrum[radius > 0.5 * np.pi]))
    for i, r in enumerate(middle):
        if len(log_band) and 0 < r < bands.rad_px[-1]:
            covariance = _between(np.log(r), at=log_band, values=bands.cov) / typical
            # Smooth noise is never less than what is independent between pixels.
            value, vector = np.linalg.eigh(covariance)
            covariance = (vector * np.maximum(value, LEAST_POWER * plateau)) @ vector.T
            quiet_power = _between(np.log(r), at=log_band, values=bands.quiet_power) / typical
            power[i] = max(float(quiet_power), LEAST_POWER * plateau)
            inverse[i] = np.linalg.inv(covariance)
    of_ring = power[ring]
    excess = np.where(
        of_ring > 0, np.maximum(1.0, spectrum / np.where(of_ring > 0, of_ring, 1.0)), spectrum
    )
    # What drift removal takes out of every map (second-order surfaces, below 1.5 waves across the
    # picture) must not be looked for: there the noise counts as infinite.
    waves2 = (ky * shape[0] / (2 * np.pi)) ** 2 + (kx * shape[1] / (2 * np.pi)) ** 2
    weight = np.where(waves2 < REMOVED_WAVES**2, 0.0, 1.0 / excess)
    out = np.empty((contrasts, contrasts, *spectrum.shape), dtype=np.float32)
    for a in range(contrasts):
        for b in range(contrasts):
            out[a, b] = inverse[ring, a, b] * weight
    return out


def _between(x: float, *, at: FloatArray, values: FloatArray) -> FloatArray:
    """Linear interpolation of matrices over log frequency, constant beyond the ends."""
    j = int(np.clip(np.searchsorted(at, x), 1, len(at) - 1)) if len(at) > 1 else 0
    if len(at) == 1:
        return np.asarray(values[0])
    share = float(np.clip((x - at[j - 1]) / (at[j] - at[j - 1]), 0.0, 1.0))
    out: FloatArray = (1 - share) * values[j - 1] + share * values[j]
    return out
