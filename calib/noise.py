"""Noise in time, along rows and columns, and fixed: the three-dimensional noise model.

A frame's error is a sum of independent parts, each new along some of the directions time t, row
v and column h, and constant along the others: N_tvh (each pixel of each frame), N_tv (each row of
each frame), N_th (each column of each frame), N_t (each frame), N_vh (each pixel, fixed), N_v and
N_h (each row or column, fixed). Source: D'Agostino and Webb, Three-dimensional analysis framework
and measurement methodology for imaging system noise, Proc. SPIE 1488 (1991) 110 (from memory);
estimated by the expected mean squares of a crossed analysis of variance (Searle, Casella and
McCulloch, Variance Components, ch. 4), with the correlation between neighbours taken into
account, which the plain model leaves out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.radiometry import Uncertain
from hotspot.checks import FloatArray, freeze

# Neighbours over which correlation is followed; camera filters reach two to three pixels.
_LAGS = 6
# A correlation below this is taken as none: its own error is some 0.002 for 100 small frames.
_LEAST_CORRELATION = 0.01
# Frames from which correlation is measured.
_CORRELATION_FRAMES = 32
# A uniform scene varies over 8 x 8 pixels no more than its pixels' scatter explains; twice that
# (in sd) is structure of the scene, or shading that a flat field must take off first.
_STRUCTURE = 2.0
_BOX = 8


@dataclass(frozen=True, slots=True, eq=False)
class NoiseComponents:
    """Standard deviations of the parts of the noise, in the unit of the values.

    Attributes
    ----------
    pixel, row, column, frame
        New in every frame: σ_tvh, σ_tv, σ_th, σ_t. `pixel` is the NETD when the unit is K.
    one_frame
        From differences of successive frames: white noise of a pixel, slow wandering left out.
    fixed_pixel, fixed_row, fixed_column
        Lasting: σ_vh, σ_v, σ_h, what the temporal noise leaves in the mean taken off.
    correlation
        (rows, columns) correlation of the noise of neighbours one pixel down, and one across.
    spread
        (rows, columns) factor 1 + 2 Σ ρ(k) by which the variance of a mean along that direction
        exceeds that of independent pixels.
    map
        (rows, cols) temporal standard deviation of each pixel, frame means taken off.
    frames
        Number of frames.
    is_uniform
        Whether the scene is uniform; otherwise the fixed parts hold the scene as well.
    """

    pixel: Uncertain
    row: Uncertain
    column: Uncertain
    frame: Uncertain
    one_frame: Uncertain
    fixed_pixel: Uncertain
    fixed_row: Uncertain
    fixed_column: Uncertain
    correlation: tuple[float, float]
    spread: tuple[float, float]
    map: FloatArray
    frames: int
    is_uniform: bool


def measure_noise(
    values: NDArray[np.floating], *, good: NDArray[np.bool_] | None = None
) -> NoiseComponents:
    """Split the noise of frames of one scene into its parts.

    Parameters
    ----------
    values
        (n, rows, cols), 4 or more frames of a scene at rest; uniform for the fixed parts.
    good
        (rows, cols) bool; bad pixels must hold a plausible value but do not count in the map's
        average. None: all are good.

    Raises
    ------
    ValueError
        Fewer than 4 frames or 8 pixels a side.

    Notes
    -----
    Expected mean squares, with C the spread along rows or columns: a row mean of pixel noise has
    variance σ² C_h / cols. Negative estimates are returned as 0 with their uncertainty, so that
    "none seen" is told from "none measured". The uncertainties take each mean square as
    chi-square: var = 2 MS² / dof.
    """
    n, rows, cols = values.shape
    if n < 4 or min(rows, cols) < 8:
        raise ValueError(f"values must hold 4 frames of 8 x 8 pixels or more, got {values.shape}")
    mask = np.ones((rows, cols), bool) if good is None else good
    mean: FloatArray = values.mean(axis=0, dtype=np.float64)
    frame_mean, row_mean, col_mean = _line_means(values, mean)
    square = np.zeros((rows, cols))
    total = np.zeros((rows, cols))
    step = 0.0
    previous = None
    picked: list[FloatArray] = []
    stride = max(1, n // _CORRELATION_FRAMES)
    for t in range(n):
        level = values[t] - mean - frame_mean[t]
        total += level * level
        rest = level - row_mean[t][:, None] - col_mean[t][None, :]
        square += rest * rest
        if previous is not None:
            step += float(np.mean((rest - previous)[mask] ** 2))
        previous = rest
        if t % stride == 0:
            picked.append(rest)
    rho_v, spread_v, alike_v = _correlation(picked, axis=0)
    rho_h, spread_h, alike_h = _correlation(picked, axis=1)
    # Taking row and column means off leaves this share of the pixel noise.
    left = (1 - spread_h / cols) * (1 - spread_v / rows)
    dof = (n - 1) * float(mask.sum()) / (alike_v * alike_h)
    pixel2 = _Square(float(square[mask].mean()) / (n - 1) / left, dof)
    one2 = _Square(step / (n - 1) / 2 / left, dof / 1.5)  # successive differences: 3/2 less
    row2 = _Square(_mean_square(row_mean, n), (n - 1) * (rows - 1) / spread_v)
    col2 = _Square(_mean_square(col_mean, n), (n - 1) * (cols - 1) / spread_h)
    frame2 = _Square(float(np.sum(frame_mean**2)) / (n - 1), n - 1)
    row = row2.minus(pixel2.times(spread_h / cols * (1 - spread_v / rows)))
    column = col2.minus(pixel2.times(spread_v / rows * (1 - spread_h / cols)))
    frame = frame2.minus(
        pixel2.times(spread_h * spread_v / (rows * cols)),
        row.times(1 / rows),
        column.times(1 / cols),
    )
    fixed = _fixed_parts(mean, n, (pixel2, row, column), spread=(spread_v, spread_h))
    return NoiseComponents(
        pixel=pixel2.root(),
        row=row.root(),
        column=column.root(),
        frame=frame.root(),
        one_frame=one2.root(),
        fixed_pixel=fixed[0].root(),
        fixed_row=fixed[1].root(),
        fixed_column=fixed[2].root(),
        correlation=(rho_v, rho_h),
        spread=(spread_v, spread_h),
        map=freeze(np.sqrt(total / (n - 1))),
        frames=n,
        is_uniform=is_uniform(mean, smooth_variance=pixel2.value * spread_h * spread_v / n),
    )


@dataclass(frozen=True, slots=True)
class _Square:
    """A variance and the degrees of freedom behind it."""

    value: float
    dof: float
    extra_variance: float = 0.0

    @property
    def variance(self) -> float:
        return 2 * self.value**2 / self.dof + self.extra_variance

    def times(self, factor: float) -> _Square:
        return _Square(self.value * factor, self.dof, self.extra_variance * factor**2)

    def minus(self, *others: _Square) -> _Square:
        value = self.value - sum(o.value for o in others)
        variance = self.variance + sum(o.variance for o in others)
        # All of the variance is carried in `extra_variance`; dof no longer describes it.
        return _Square(value, float("inf"), variance)

    def root(self) -> Uncertain:
        sigma2 = float(np.sqrt(self.variance))
        value = float(np.sqrt(max(self.value, 0.0)))
        # d√v = dv / 2√v far from zero; near zero √(dv) is what could hide.
        sigma = sigma2 / (2 * value) if value**2 > sigma2 else float(np.sqrt(sigma2))
        return Uncertain(value, sigma)


def _line_means(
    values: NDArray[np.floating], mean: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return frame means (n,), row means (n, rows) and column means (n, cols), crossed."""
    row = values.mean(axis=2, dtype=np.float64) - mean.mean(axis=1)
    col = values.mean(axis=1, dtype=np.float64) - mean.mean(axis=0)
    frame = row.mean(axis=1)
    row_rest: FloatArray = row - frame[:, None]
    col_rest: FloatArray = col - frame[:, None]
    return frame, row_rest, col_rest


def _mean_square(lines: FloatArray, n: int) -> float:
    return float(np.sum(lines**2) / ((n - 1) * (lines.shape[1] - 1)))


def _correlation(rests: list[FloatArray], *, axis: int) -> tuple[float, float, float]:
    """Return the correlation ρ of neighbours along an axis of the picture, 1 + 2 Σ ρ, 1 + 2 Σ ρ².

    The second is by how much the variance of a mean grows, the third that of a mean square.
    """
    stack = np.stack(rests)
    length = stack.shape[axis + 1]
    variance = float(np.mean(stack * stack))
    if variance <= 0:
        return 0.0, 1.0, 1.0
    shared = [variance]
    for lag in range(1, _LAGS + 1):
        a = np.take(stack, range(lag, length), axis=axis + 1)
        b = np.take(stack, range(length - lag), axis=axis + 1)
        shared.append(float(np.mean(a * b)))
    spread = alike = 1.0
    rho: list[float] = []
    # Taking the line's mean off pulled every product down by the variance of that mean, which is
    # spread / length of the variance: give it back, and again with the better spread.
    for _ in range(4):
        lost = variance * spread / (length - spread)
        rho = [(s + lost) / (variance + lost) for s in shared[1:]]
        end = next((k for k, r in enumerate(rho) if abs(r) < _LEAST_CORRELATION), _LAGS)
        spread = min(max(1 + 2 * sum(rho[:end]), 0.2), length / 3)
        alike = 1 + 2 * sum(r * r for r in rho[:end])
    return rho[0], spread, alike


def _fixed_parts(
    mean: FloatArray,
    n: int,
    temporal: tuple[_Square, _Square, _Square],
    *,
    spread: tuple[float, float],
) -> tuple[_Square, _Square, _Square]:
    """Return the variances of pixel, row and column patterns that stay."""
    rows, cols = mean.shape
    pixel2, row2, col2 = temporal
    flat = mean - _trend(mean)
    level = flat - flat.mean()
    row = level.mean(axis=1)
    col = level.mean(axis=0)
    rest = level - row[:, None] - col[None, :]
    rest2 = _Square(float(np.sum(rest**2)) / ((rows - 1) * (cols - 1)), (rows - 1) * (cols - 1))
    row_ms = _Square(float(np.sum(row**2)) / (rows - 1), rows - 1)
    col_ms = _Square(float(np.sum(col**2)) / (cols - 1), cols - 1)
    pixel = rest2.minus(pixel2.times(1 / n))
    # What the mean still holds of the temporal noise is smoothed over neighbours as that is; the
    # pattern itself is taken as independent from pixel to pixel.
    return (
        pixel,
        row_ms.minus(pixel.times(1 / cols), pixel2.times(spread[1] / cols / n), row2.times(1 / n)),
        col_ms.minus(pixel.times(1 / rows), pixel2.times(spread[0] / rows / n), col2.times(1 / n)),
    )


def _trend(picture: FloatArray) -> FloatArray:
    """Return the best quadratic surface: shading of the lens, a bath warmer on one side."""
    rows, cols = picture.shape
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j]
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1).reshape(-1, 6)
    amounts = np.linalg.lstsq(terms, picture.ravel(), rcond=None)[0]
    out: FloatArray = (terms @ amounts).reshape(picture.shape)
    return out


def is_uniform(mean: FloatArray, *, smooth_variance: float = 0.0) -> bool:
    """Return whether a mean picture shows nothing but pixels, lines and smooth shading.

    Parameters
    ----------
    mean
        (rows, cols) mean of the frames.
    smooth_variance
        Variance of what the mean still holds of noise smoothed over neighbours, times how much
        more their means scatter.
    """
    rows, cols = (s // _BOX * _BOX for s in mean.shape)
    flat = (mean - _trend(mean))[:rows, :cols]
    flat = flat - np.median(flat, axis=1, keepdims=True)
    flat = flat - np.median(flat, axis=0, keepdims=True)
    boxes = flat.reshape(rows // _BOX, _BOX, cols // _BOX, _BOX).transpose(0, 2, 1, 3)
    # Differences of neighbours know nothing of structure larger than a pixel (0.4549: the median
    # of a squared normal deviate).
    pixel_variance = float(np.median(np.diff(boxes, axis=3) ** 2)) / 0.4549 / 2
    between = float(np.var(boxes.reshape(-1, _BOX * _BOX).mean(axis=1)))
    usual = (pixel_variance + smooth_variance) / (_BOX * _BOX)
    return between <= _STRUCTURE**2 * usual
