"""Bad pixels: dead, blinking, noisy, clipped, missing. A hot spot is never one of them.

What tells a bad pixel from heat is the optics: a picture of anything real is blurred, so the
neighbours of a warming pixel warm with it. Temporal tests therefore compare each pixel's
differences between frames with those of its neighbours, and heat is left alone however strong.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray

# A pixel is blinking after two differences beyond 5.5 sd, or one beyond 7 sd. In Gaussian noise
# 1500 frames of 640 x 512 exceed 5.5 sd twice in one pixel in 6e-4 recordings and 7 sd once in
# 1e-3 (two-sided tails 3.8e-8 and 2.6e-12): under 0.002 good pixels lost per recording.
PEAK_TWICE, PEAK_ONCE = 5.5, 7.0
# Noisy: its energy in a chunk of k differences stands this many sd, sqrt(3 / k) for white noise (3:
# neighbouring differences share a frame), above its neighbourhood's: 2.75 times for k = 63. The
# sum behaves as chi-square with 2 k / 3 degrees of freedom: false in 1e-8 (k = 63) to 1e-6
# (k = 21) of the pixels and chunks.
NOISY_SIGMAS = 8.0
# With fewer differences the tail of chi-square is too long for that.
NOISY_FEWEST = 21
# Differences beyond this many sd count as evidence on the neighbours' share.
EVIDENCE = 3.0
# The share that four neighbours get of a point of light through the sharpest optics in use
# (Gaussian sd 0.5 px, integrated over square pixels: 0.683 * 0.157 / 0.683**2 = 0.23); half of
# it divides bad pixels (share 0) from heat.
SHARPEST_SHARE = 0.23
# A pixel that never changes is dead only if such pixels are rare; otherwise the scale is coarse.
RARE = 0.01
# A fixed offset is bad beyond this many local scatters: structure of the board is not Gaussian,
# and a wrongly masked part costs more than an offset, which the baseline takes off anyway.
OFFSET_SCATTERS = 15.0


@dataclass(slots=True, eq=False)
class PixelStatistics:
    """Running sums of frame differences for each pixel.

    Attributes
    ----------
    sum_square
        (rows, cols) float32.
    count
        Differences summed.
    peaks, largest
        (rows, cols) number of differences beyond `PEAK_TWICE` sd, and the largest in sd.
    noisy
        (rows, cols) int16 chunks in which the pixel was noisy.
    energy, cross
        (rows, cols) sums over strong differences: d², and d times the mean of four neighbours',
        in units of the local variance.
    correlation_sum, correlation_count
        For the noise correlation of neighbouring pixels.
    """

    sum_square: NDArray[np.float32]
    count: int
    peaks: NDArray[np.int16]
    largest: NDArray[np.float32]
    noisy: NDArray[np.int16]
    energy: NDArray[np.float32]
    cross: NDArray[np.float32]
    correlation_sum: float
    correlation_count: int

    @classmethod
    def build(cls, shape: tuple[int, ...]) -> PixelStatistics:
        """Return empty sums for pictures of (rows, cols)."""
        size = (int(shape[0]), int(shape[1]))
        planes = [np.zeros(size, np.float32) for _ in range(4)]
        return cls(
            sum_square=planes[0],
            count=0,
            peaks=np.zeros(size, np.int16),
            largest=planes[1],
            noisy=np.zeros(size, np.int16),
            energy=planes[2],
            cross=planes[3],
            correlation_sum=0.0,
            correlation_count=0,
        )

    def add(
        self, differences: NDArray[np.float32], looks: NDArray[np.intp], level: FloatArray
    ) -> None:
        """Add differences of successive frames, global steps taken off.

        Parameters
        ----------
        differences
            (n, rows, cols).
        looks
            Indices of those to add.
        level
            (n,) typical energy of each: whole-picture events (a bump, a shutter step) are left
            out, since they say nothing about single pixels.
        """
        usual = float(np.median(level[looks])) if len(looks) else 0.0
        chosen = looks[level[looks] <= 1.5 * usual]
        if len(chosen) < 4 or usual <= 0:
            return
        total = np.zeros_like(self.sum_square)
        top = np.zeros_like(total)
        bottom = np.zeros_like(total)
        for k in chosen:
            d = differences[k]
            cv2.accumulateSquare(d, total)
            cv2.max(top, d, top)
            cv2.min(bottom, d, bottom)
        self.sum_square += total
        self.count += len(chosen)
        d = differences[chosen[len(chosen) // 2]]
        across = float(np.mean(d[::2, 1:] * d[::2, :-1]))
        down = float(np.mean(d[1::2] * d[: d.shape[0] // 2 * 2 : 2]))
        self.correlation_sum += min(across, down) / float(np.mean(d * d))
        self.correlation_count += 1
        # Coarse rounding makes some pixels flicker by one count and others stand still: half of
        # what 2 % of the pixels exceed is normal then (in white noise it is below the median).
        floor = max(0.25 * usual * len(chosen), float(np.quantile(total[::3, ::3], 0.98)) / 2)
        local = np.maximum(cv2.medianBlur(total, 5), np.float32(floor))
        spread = np.sqrt(local / np.float32(len(chosen)))
        far = np.maximum(top, -bottom) / spread
        noisy = total > (1 + NOISY_SIGMAS * np.sqrt(3 / len(chosen))) * local
        noisy &= len(chosen) >= NOISY_FEWEST
        suspect = noisy | (far > PEAK_TWICE)
        if suspect.mean() > 0.05:  # not single pixels: something else is going on
            return
        np.maximum(self.largest, far, out=self.largest)
        self.noisy += noisy
        rows, cols = np.nonzero(suspect)
        if len(rows):
            self._add_evidence(differences[chosen], rows, cols, spread[rows, cols])

    def _add_evidence(
        self,
        differences: NDArray[np.float32],
        rows: NDArray[np.intp],
        cols: NDArray[np.intp],
        spread: NDArray[np.float32],
    ) -> None:
        last_row, last_col = differences.shape[1] - 1, differences.shape[2] - 1
        own = differences[:, rows, cols] / spread
        # At an edge the pixel inside stands for the one outside.
        around = (
            differences[:, np.where(rows > 0, rows - 1, 1), cols]
            + differences[:, np.where(rows < last_row, rows + 1, last_row - 1), cols]
            + differences[:, rows, np.where(cols > 0, cols - 1, 1)]
            + differences[:, rows, np.where(cols < last_col, cols + 1, last_col - 1)]
        ) / (4 * spread)
        strong = np.abs(own) > EVIDENCE
        self.peaks[rows, cols] += (np.abs(own) > PEAK_TWICE).sum(axis=0).astype(np.int16)
        self.energy[rows, cols] += np.where(strong, own * own, 0).sum(axis=0)
        self.cross[rows, cols] += np.where(strong, own * around, 0).sum(axis=0)

    @property
    def noise_correlation(self) -> float:
        """Correlation of the noise of neighbouring pixels, 0 to 1."""
        if self.correlation_count == 0:
            return 0.0
        return float(np.clip(self.correlation_sum / self.correlation_count, 0.0, 0.99))


def find_flickering(statistics: PixelStatistics) -> NDArray[np.bool_]:
    """Return the (rows, cols) mask of blinking and noisy pixels, heat excepted.

    Notes
    -----
    A camera that smooths its picture also smears a blinking pixel onto its neighbours. For a
    smoothing kernel k the noise correlation of neighbours is ρ = (k∗k)(1) / (k∗k)(0); a Gaussian
    k then passes the share k(1) / k(0) = ρ² of a blink to a neighbour, while heat, blurred by
    optics and kernel, passes more than `SHARPEST_SHARE` beyond that.
    """
    share_limit = statistics.noise_correlation**2 + SHARPEST_SHARE / 2
    energy = np.maximum(statistics.energy, np.float32(1e-6))
    share = statistics.cross / energy
    # sd of the share from the neighbours' own noise: four of them average to half.
    share_sigma = 0.5 / np.sqrt(energy)
    isolated = (statistics.energy > 0) & (share + 1.5 * share_sigma < share_limit)
    active = (statistics.peaks >= 2) | (statistics.largest > PEAK_ONCE) | (statistics.noisy >= 1)
    out: NDArray[np.bool_] = isolated & active
    return out


def find_dead(statistics: PixelStatistics) -> NDArray[np.bool_]:
    """Return the (rows, cols) mask of pixels that stand still while their neighbours do not."""
    nothing = np.zeros(statistics.sum_square.shape, bool)
    if statistics.count < 20:  # too few differences for stillness to mean anything
        return nothing
    if np.mean(statistics.sum_square == 0) > RARE:  # rounded so coarsely that stillness is usual
        return nothing
    local = cv2.medianBlur(statistics.sum_square, 5)
    # A tenth of the neighbours' variance: chi-square with 13 or more degrees of freedom (20
    # differences of white noise) falls below it with probability < 1e-9.
    still = (statistics.sum_square <= 0.1 * local) & (local > 0)
    return still if still.mean() <= RARE else nothing


def find_offset_pixels(picture: NDArray[np.float32], *, noise: float) -> NDArray[np.bool_]:
    """Return the (rows, cols) mask of single pixels with an offset that no optics could make.

    `noise` is the standard deviation of a pixel of the picture: where coarse rounding makes
    neighbours exactly equal, they show none.
    """
    # The median of 5 x 5 pixels is the level around: one pixel of 25 hardly moves it.
    level = cv2.medianBlur(picture, 5)
    excess = picture - level
    cross = np.array([[0, 0.25, 0], [0.25, 0, 0.25], [0, 0.25, 0]], np.float32)
    shared = cv2.filter2D(excess, -1, cross, borderType=cv2.BORDER_REFLECT_101)
    variance = cv2.boxFilter(np.square(excess), -1, (5, 5)) - np.square(excess) / 25
    # Local scatter: the median over 5 x 5 pixels, not less than the picture's own.
    size = np.abs(excess)
    scatter = 1.4826 * np.maximum(cv2.medianBlur(size, 5), np.median(size))
    scatter = np.maximum(scatter, np.float32(noise))
    spread = np.sqrt(np.maximum(variance, 0))
    far = np.abs(excess) > OFFSET_SCATTERS * np.maximum(scatter, spread / 3)
    lonely = np.abs(shared) < SHARPEST_SHARE / 4 * np.abs(excess)
    out: NDArray[np.bool_] = far & lonely & (np.abs(excess) > 0)
    return out if out.mean() <= RARE else np.zeros(picture.shape, bool)
