"""Measure a sub-pixel shift between two mean pictures, and whether it is one."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.motion import CLEAR, FEWEST_ZONES

# Blur before comparison (px): interpolation errors of a bicubic shift fall below 0.01 px, edges
# keep most of their slope.
BLUR_PX = 1.0
# Noise of a gradient after that blur per unit of pixel noise: 1 / (sqrt(8 pi) * 1 px²), and the
# number of pixels over which blurred noise is correlated, 4 pi * (1 px)².
GRADIENT_NOISE, CORRELATED_PX = 0.2, 12.6
# Structure coarser than this share of the picture is not compared: shading and offset steps go.
COARSE_SHARE = 8
# Largest shift looked for (px), as a share of the shorter side.
REACH_SHARE = 0.12
# Share of the zones with edges that must get better by the shift, and agree with it.
AGREEING = 0.65
# A picture that has moved is the same picture: at its edges the two correlate by at least this once
# one is shifted (0.99 in a dozen knocked cameras; a hand coming over bare metal, which turns edges
# dark for bright, 0.1; `tests.benchmarks.exam`). Noise lowers it to 0.5 where edges are no stronger
# than their noise, and weaker ones are not looked at.
LEAST_LIKENESS = 0.5
# Smallest shift that is called one (px): below it re-alignment changes less than it costs.
SMALLEST_PX = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Shift:
    """How far the content moved between two pictures.

    Attributes
    ----------
    xy_px
        (2,) displacement (x, y) of the second against the first.
    sigma_px
        Standard error of either component, from the residuals.
    agreeing
        Share of zones that agree.
    """

    xy_px: FloatArray
    sigma_px: float
    agreeing: float


def measure_shift(
    before: NDArray[np.float32],
    after: NDArray[np.float32],
    *,
    noise: float,
    bad: NDArray[np.bool_] | None = None,
) -> Shift | None:
    """Return the shift of `after` against `before`, or None if nothing shows that it moved.

    Parameters
    ----------
    before, after
        (rows, cols) mean pictures.
    noise
        Standard deviation of a pixel in either of them.
    bad
        Pixels not to look at; replaced by the median of their neighbours.

    Notes
    -----
    Iterated least squares on the gradients (Lucas & Kanade, Proc. IJCAI 1981, 674) from two
    starts, zero and the phase correlation's peak, with Huber weights. What decides is not the
    estimate's error bar alone: most zones with edges must fit better with the shift than
    without, must want the same shift when asked singly, and must look the same afterwards. Heat, a
    hand or a new fixed pattern do not pass.
    """
    a, b = (_prepared(p, bad) for p in (before, after))
    start = _coarse(a, b)
    best: _Fit | None = None
    # From a start within the blur both would reach the same minimum.
    starts = [np.zeros(2)] if np.hypot(*start) < BLUR_PX / 4 else [np.zeros(2), start]
    for first in starts:
        fit = _fit(a, b, first, noise=noise)
        if fit is not None and (best is None or fit.rest < best.rest):
            best = fit
    if best is None or np.hypot(*best.xy_px) < max(SMALLEST_PX, 5 * best.sigma_px):
        return None
    agreeing = _agreeing(a, b, best, noise=noise)
    if agreeing < AGREEING or _likeness(a, b, best) < LEAST_LIKENESS:
        return None
    return Shift(xy_px=best.xy_px, sigma_px=best.sigma_px, agreeing=agreeing)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    xy_px: FloatArray
    sigma_px: float
    rest: float
    chosen: NDArray[np.bool_]


def _prepared(picture: NDArray[np.float32], bad: NDArray[np.bool_] | None) -> NDArray[np.float32]:
    out = picture.astype(np.float32)
    if bad is not None and bad.any():
        out[bad] = cv2.medianBlur(out, 5)[bad]
    smooth = cv2.GaussianBlur(out, (0, 0), BLUR_PX)
    coarse = max(9, min(picture.shape) // COARSE_SHARE | 1)
    high: NDArray[np.float32] = smooth - cv2.blur(smooth, (coarse, coarse))
    return high


def _coarse(a: NDArray[np.float32], b: NDArray[np.float32]) -> FloatArray:
    # Clip strong features, or one hot part is all that the correlation sees.
    limit = 4 * float(np.median(np.abs(a))) / 0.6745
    if limit == 0:
        return np.zeros(2)
    window = cv2.createHanningWindow((a.shape[1], a.shape[0]), cv2.CV_32F)
    clipped = [np.clip(p, -limit, limit) for p in (a, b)]
    (x, y), _ = cv2.phaseCorrelate(clipped[0], clipped[1], window)
    reach = REACH_SHARE * min(a.shape)
    return np.array([x, y]) if max(abs(x), abs(y)) <= reach else np.zeros(2)


def to_shifted(picture: NDArray[np.float32], xy_px: FloatArray) -> NDArray[np.float32]:
    """Return the picture with its content moved by (x, y) px, edges repeated.

    Cubic convolution (Keys, IEEE Trans. ASSP 29 (1981) 1153, a = −1/2) with exact fractions:
    OpenCV's own warps round coordinates to 1/32 px, too coarse here.
    """
    whole = np.floor(xy_px).astype(int)
    rows, cols = picture.shape
    pad = int(np.max(np.abs(whole))) + 3
    padded = cv2.copyMakeBorder(picture, pad, pad, pad, pad, cv2.BORDER_REPLICATE)
    kernel_x, kernel_y = (_cubic_kernel(float(f)) for f in xy_px - whole)
    # Correlation with taps at −2 … 1 around each pixel: content moves right and down.
    moved = cv2.sepFilter2D(padded, -1, kernel_x, kernel_y, anchor=(2, 2))
    top, left = pad - int(whole[1]), pad - int(whole[0])
    out: NDArray[np.float32] = np.asarray(moved[top : top + rows, left : left + cols])
    return out


def _cubic_kernel(fraction: float) -> FloatArray:
    distance = np.abs(np.array([2.0 - fraction, 1.0 - fraction, fraction, 1.0 + fraction]))
    near = 1.5 * distance**3 - 2.5 * distance**2 + 1
    far = -0.5 * distance**3 + 2.5 * distance**2 - 4 * distance + 2
    out: FloatArray = np.where(distance <= 1, near, np.where(distance < 2, far, 0.0))
    return out


def _edges(
    picture: NDArray[np.float32], xy_px: FloatArray, noise: float
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.bool_]]:
    slopes: NDArray[np.float32] = np.asarray(np.gradient(picture))
    gy, gx = slopes
    strength = np.hypot(gx, gy)
    margin = int(np.ceil(np.max(np.abs(xy_px)))) + 3
    within = np.s_[margin:-margin, margin:-margin]
    # A fixed pattern does not move along and pulls the estimate towards zero; it is all there is
    # in weak gradients. In a flat field of noise gradients are Rayleigh distributed, and 5 lower
    # quartiles (3.8 sd) leave 0.1 % of them; a densely structured picture still votes with its
    # best thirtieth.
    quarter, third, best = np.quantile(strength[within].ravel()[::3], [0.25, 0.67, 0.97])
    floor = max(CLEAR * GRADIENT_NOISE * noise, third, min(5 * quarter, best), 1e-9)
    chosen = np.zeros(picture.shape, bool)
    chosen[within] = strength[within] > floor
    return gx, gy, chosen


def _fit(
    a: NDArray[np.float32], b: NDArray[np.float32], start: FloatArray, *, noise: float
) -> _Fit | None:
    xy = start.copy()
    reach = REACH_SHARE * min(a.shape)
    normal, chosen, rest = np.eye(2), np.zeros(a.shape, bool), np.inf
    for _ in range(20):
        moved = to_shifted(a, xy)
        gx, gy, chosen = _edges(moved, xy, noise)
        if np.count_nonzero(chosen) < 50:
            return None
        g = np.stack([gx[chosen], gy[chosen]]).astype(np.float64)
        miss = (b[chosen] - moved[chosen]).astype(np.float64)
        rest = 1.4826 * float(np.median(np.abs(miss)))
        weight = 1 / np.maximum(np.abs(miss) / max(1.5 * rest, 1e-9), 1.0)
        normal = (g * weight) @ g.T
        if np.linalg.cond(normal) > 1e4:
            return None
        step = -np.linalg.solve(normal, (g * weight) @ miss)
        xy = xy + np.clip(step, -1.0, 1.0)
        if np.max(np.abs(xy)) > reach:
            return None
        if np.max(np.abs(step)) < 1e-3:
            break
    # Blurred residuals are correlated over some 13 pixels: so much fewer independent ones.
    sigma = rest * np.sqrt(CORRELATED_PX * float(np.max(np.diag(np.linalg.inv(normal)))))
    return _Fit(xy_px=xy, sigma_px=float(sigma), rest=rest, chosen=chosen)


def _likeness(a: NDArray[np.float32], b: NDArray[np.float32], fit: _Fit) -> float:
    """Return how well the two pictures correlate at edges, one moved onto the other."""
    moved = to_shifted(a, fit.xy_px)[fit.chosen]
    return float(np.corrcoef(moved, b[fit.chosen])[0, 1])


def _agreeing(a: NDArray[np.float32], b: NDArray[np.float32], fit: _Fit, *, noise: float) -> float:
    """Return the share of zones with edges that want this shift, 0 if too few have any."""
    moved = to_shifted(a, fit.xy_px)
    gx, gy, chosen = _edges(moved, fit.xy_px, noise)
    rows, cols = a.shape
    size = np.hypot(*fit.xy_px)
    votes, yes = 0, 0
    for r in range(8):
        for c in range(8):
            box = np.s_[r * rows // 8 : (r + 1) * rows // 8, c * cols // 8 : (c + 1) * cols // 8]
            inside = chosen[box]
            if np.count_nonzero(inside) < 12:
                continue
            miss = (b[box] - moved[box])[inside].astype(np.float64)
            still = (b[box] - a[box])[inside].astype(np.float64)
            g = np.stack([gx[box][inside], gy[box][inside]]).astype(np.float64)
            # Along the shift only: an edge parallel to it says nothing.
            along = fit.xy_px @ g / size
            power = along @ along
            # The residuals hold the fixed pattern too, not only the noise.
            error = fit.rest * np.sqrt(CORRELATED_PX / max(power, 1e-12))
            if error > size / 3:
                continue
            votes += 1
            left = float(-(along @ miss) / power)
            better = still @ still > 1.2 * (miss @ miss)
            yes += bool(better and abs(left) < max(0.4 * size, 3 * error))
    return yes / votes if votes >= FEWEST_ZONES else 0.0
