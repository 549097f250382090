"""Blur of lens and pixel from a slanted edge (the method of ISO 12233) or a pinhole.

The edge may be a warm plate before a cool one, or a strip of matt tape on bright metal of one
temperature. An edge within one warm piece is no use: heat spreads and blurs it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, least_squares
from scipy.special import ndtr

from calib.radiometry import Uncertain
from hotspot.checks import FloatArray, check_positive, freeze
from hotspot.errors import InputError

# Samples per pixel along the edge's normal, as in ISO 12233.
OVERSAMPLING = 4
# Bins a pixel for fitting the edge.
_FIT_BINS = 16
# Groups of lines left out one after the other for the error bar (delete-a-group jackknife).
_GROUPS = 10
# The edge must cross a pixel's width within the region, so that all phases are seen.
_LEAST_SHIFT_PX = 1.0
# Steeper than this the lines hardly cross the edge, and along the diagonal the square pixel is no
# longer a box of 1 px.
_MOST_ANGLE_DEG = 30.0
# Contrast over the noise of a pixel below which the line through the edge is guesswork.
_LEAST_CONTRAST = 8.0
# Two equal sources count as told apart when the light between them falls to 73.5 % of the peaks:
# Rayleigh's criterion for a round lens (Born and Wolf, Principles of Optics, sec. 8.6.2).
RAYLEIGH_DIP = 0.735
PIXEL_VARIANCE = 1.0 / 12.0  # of a box of 1 px


@dataclass(frozen=True, slots=True, eq=False)
class EdgeSharpness:
    """What an edge says about blur.

    Attributes
    ----------
    psf_sigma_px
        Standard deviation of lens and pixel together, of the best Gaussian.
    mtf50
        Spatial frequency in cycles per pixel at which contrast falls to a half.
    frequency, mtf
        (k,) up to 1 cycle per pixel; contrast, 1 at zero frequency.
    distance_px, edge
        (m,) oversampled edge spread: distance from the edge along its normal, mean value.
    angle_deg
        Of the edge against the nearest line of the picture.
    step
        Height of the edge in value units.
    is_upright
        Whether the edge runs down the picture, so that the blur is the one across.
    """

    psf_sigma_px: Uncertain
    mtf50: Uncertain
    frequency: FloatArray
    mtf: FloatArray
    distance_px: FloatArray
    edge: FloatArray
    angle_deg: float
    step: float
    is_upright: bool


def measure_edge(picture: FloatArray) -> EdgeSharpness:
    """Measure blur on a picture that holds one straight, slightly slanted edge.

    Parameters
    ----------
    picture
        (rows, cols) mean of many frames, cut to the edge: 12 or more pixels each way, the edge 5
        pixels or more from the sides it does not cross.

    Raises
    ------
    InputError
        No edge, too little contrast, not slanted or too steep: says which.

    Notes
    -----
    Lines across the edge are placed by the centroid of their derivative, a straight line is fitted
    and every pixel is sorted by its distance to it along the normal. The MTF is the Fourier
    transform of the derivative of the edge, sampled four times a pixel, over a Tukey window
    centred on it; the derivative's and the bins' own losses are divided out (ISO 12233:2017,
    annex D, from memory). The Gaussian comes from a least-squares fit of the edge itself. Errors
    are jackknifed over groups of lines, so that pattern noise counts.
    """
    image = np.asarray(picture, dtype=np.float64)
    if image.ndim != 2 or min(image.shape) < 12 or not np.isfinite(image).all():
        raise InputError(
            f"the region has {' x '.join(map(str, image.shape[::-1]))} px or holds no numbers",
            cure="Give a region of 12 x 12 px or more around the edge",
        )
    across = np.abs(image[:, 2:] - image[:, :-2]).mean(axis=0).max()
    down = np.abs(image[2:] - image[:-2]).mean(axis=1).max()
    upright = bool(across >= down)
    if not upright:
        image = image.T
    slope, start = fit_edge_line(image)
    distance, value, line = _unfold(image, slope, start)
    fit = _fit_gaussian(distance, value)
    frequency, mtf, bins, edge = _transfer(distance, value)
    sigmas, halves = [], []
    for group in range(_GROUPS):
        keep = line % _GROUPS != group
        sigmas.append(_fit_gaussian(distance[keep], value[keep])[0])
        f, m, _, _ = _transfer(distance[keep], value[keep])
        halves.append(_half(f, m))
    half = _half(frequency, mtf)
    return EdgeSharpness(
        psf_sigma_px=Uncertain(fit[0], jackknife_sigma(sigmas)),
        mtf50=Uncertain(half, jackknife_sigma(halves)),
        frequency=freeze(frequency),
        mtf=freeze(mtf),
        distance_px=freeze(bins),
        edge=freeze(edge),
        angle_deg=math.degrees(math.atan(abs(slope))),
        step=fit[1],
        is_upright=upright,
    )  # fmt: skip


def jackknife_sigma(values: list[float]) -> float:
    """Return the standard error from estimates that each leave one group of the data out."""
    array = np.array(values)
    n = len(array)
    return float(np.sqrt((n - 1) / n * np.sum((array - array.mean()) ** 2)))


def fit_edge_line(
    image: FloatArray, *, least_shift_px: float = _LEAST_SHIFT_PX
) -> tuple[float, float]:
    """Return (slope, start) of the edge x = start + slope · row in a picture of one upright edge.

    Raises
    ------
    InputError
        No edge, shifted by less than `least_shift_px` over the picture, too steep, or cut off.
    """
    rows, cols = image.shape
    derivative = image[:, 2:] - image[:, :-2]
    if float(np.median(derivative.sum(axis=1))) < 0:
        derivative = -derivative
    x = np.arange(1, cols - 1, dtype=np.float64)
    row = np.arange(rows, dtype=np.float64)
    rough = np.median(image[:, : cols // 4]), np.median(image[:, -(cols // 4) :])
    noise = float(np.median(np.abs(np.diff(image, n=2, axis=0)))) / 0.6745 / math.sqrt(6)
    if abs(rough[1] - rough[0]) < _LEAST_CONTRAST * max(noise, 1e-12):
        raise InputError(
            f"no edge: both sides differ by {abs(rough[1] - rough[0]):.3g}, the noise is"
            f" {noise:.2g}",
            cure="Raise the contrast, record longer, or give the region of the edge",
        )
    centre = np.full(rows, x[int(np.argmax(np.abs(derivative.sum(axis=0))))])
    width = 0.5 * cols
    slope = start = 0.0
    for _ in range(8):
        # A window about the line keeps noise far from the edge out of the centroid.
        weight = np.cos(np.clip((x - centre[:, None]) / width, -1, 1) * np.pi / 2) ** 2
        strength = np.maximum(derivative, 0) * weight
        total = strength.sum(axis=1)
        found = (strength * x).sum(axis=1) / np.maximum(total, 1e-12)
        use = total > 0.2 * np.median(total)
        for _ in range(3):
            slope, start = np.polyfit(row[use], found[use], 1).tolist()
            off = np.abs(found - start - slope * row)
            use &= off <= max(4 * 1.4826 * float(np.median(off[use])), 0.05)
        centre = start + slope * row
        width = max(6.0, 0.7 * width)
    shift = abs(slope) * (rows - 1)
    if shift < least_shift_px:
        raise InputError(
            f"the edge shifts by {shift:.2f} px over the region: not slanted enough",
            cure="Turn the camera or the edge by 5 degrees",
        )
    if abs(slope) > math.tan(math.radians(_MOST_ANGLE_DEG)):
        raise InputError(
            f"the edge leans by {math.degrees(math.atan(abs(slope))):.0f} degrees",
            cure="Turn it to about 5 degrees from upright or level",
        )
    if centre.min() < 3 or centre.max() > cols - 4:
        raise InputError(
            "the edge leaves the region at a side", cure="Move or widen the region around the edge"
        )
    return float(slope), float(start)


def _unfold(
    image: FloatArray, slope: float, start: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return (distance along the normal, value, line number) of every pixel near the edge."""
    rows, cols = image.shape
    y, x = np.mgrid[:rows, :cols].astype(np.float64)
    distance = (x - start - slope * y) / math.hypot(1.0, slope)
    centre = start + slope * np.arange(rows)
    reach = max(4.0, min(float(centre.min()), cols - 1 - float(centre.max())) - 0.5)
    near = np.abs(distance) <= reach
    return distance[near], image[near], y[near]


def _fit_gaussian(distance: FloatArray, value: FloatArray) -> tuple[float, float]:
    """Return (sigma, step) of an error function with a level slope on each side."""
    # Means over a sixteenth of a pixel: as good as the pixels themselves and ten times fewer.
    index = np.floor((distance - distance.min()) * _FIT_BINS).astype(int)
    count = np.bincount(index)
    filled = count > 0
    weight = np.sqrt(count[filled])
    d = np.bincount(index, weights=distance)[filled] / count[filled]
    v = np.bincount(index, weights=value)[filled] / count[filled]
    fifth = max(1, len(v) // 5)
    low, high = float(np.median(v[:fifth])), float(np.median(v[-fifth:]))

    def residual(p: FloatArray) -> FloatArray:
        base, step, middle, log_sigma, left, right = p
        s = (d - middle) / math.exp(log_sigma)
        tilt = np.where(s < 0, left, right) * (d - middle)
        out: FloatArray = (base + step * ndtr(s) + tilt - v) * weight
        return out

    size = abs(high - low)
    start = np.array([low, high - low, 0.0, math.log(0.8), 0.0, 0.0])
    scale = np.array([size, size, 0.1, 0.1, 0.01 * size, 0.01 * size])
    found = least_squares(residual, start, x_scale=scale).x
    return math.exp(float(found[3])), float(found[1])


def _transfer(
    distance: FloatArray, value: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return (frequency, MTF, bin centres, oversampled edge)."""
    reach = float(np.abs(distance).max())
    half = int(reach * OVERSAMPLING)
    index = np.rint(distance * OVERSAMPLING).astype(int) + half
    inside = (index >= 0) & (index <= 2 * half)
    size = 2 * half + 1
    count = np.bincount(index[inside], minlength=size)[:size]
    total = np.bincount(index[inside], weights=value[inside], minlength=size)[:size]
    bins = (np.arange(size) - half) / OVERSAMPLING
    filled = count > 0
    edge = np.interp(bins, bins[filled], total[filled] / count[filled])
    line = np.gradient(edge)
    x = np.arange(size)
    peak = float(np.sum(np.abs(line) * x) / np.sum(np.abs(line)))
    strong = int(np.argmax(np.abs(np.convolve(line, np.ones(5) / 5, mode="same"))))
    centre = peak if abs(peak - strong) < 2 * OVERSAMPLING else float(strong)
    flat = 0.5 * half  # the window is 1 over half of its reach and falls to 0 as a cosine
    beyond = np.clip((np.abs(x - centre) - flat) / (half - flat), 0, 1)
    spread = line * 0.5 * (1 + np.cos(np.pi * beyond))
    padded = max(256, size)
    response = np.abs(np.fft.rfft(spread, padded))
    frequency = np.fft.rfftfreq(padded, 1 / OVERSAMPLING)
    # Central difference over two bins: sin(2 π f δ) / (2 π f δ) with δ one bin; the bin itself is
    # a box of one bin: sinc.
    bin_px = 1 / OVERSAMPLING
    loss = np.sinc(2 * frequency * bin_px) * np.sinc(frequency * bin_px)
    use = frequency <= 1.0
    mtf = response[use] / response[0] / loss[use]
    return frequency[use], mtf, bins, edge


def _half(frequency: FloatArray, mtf: FloatArray) -> float:
    below = np.flatnonzero(mtf < 0.5)
    if len(below) == 0 or below[0] == 0:
        return float("nan")
    k = int(below[0])
    share = (mtf[k - 1] - 0.5) / (mtf[k - 1] - mtf[k])
    return float(frequency[k - 1] + share * (frequency[k] - frequency[k - 1]))


def resolved_distance_px(psf_sigma_px: float) -> float:
    """Return how far apart two equal small sources must be to be told apart, without noise.

    Notes
    -----
    Two Gaussians of this sigma, with the light between them down to 73.5 % of their peaks.
    """
    check_positive(psf_sigma_px, name="psf_sigma_px")

    def dip(d: float) -> float:
        # Peaks of the sum lie inside the centres when they overlap: search for them.
        x = np.linspace(0, d / 2 + 1, 2001)
        sums = np.exp(-((x - d / 2) ** 2) / 2) + np.exp(-((x + d / 2) ** 2) / 2)
        return float(sums[0] / sums.max()) - RAYLEIGH_DIP

    return psf_sigma_px * float(brentq(dip, 2.0, 6.0))
