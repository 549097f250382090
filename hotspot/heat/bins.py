"""Frames gathered into time bins: constant memory, one addition a frame, no heat lost.

Heat is slow (a part answers in 0.2 s or more), so sums over short time bins carry everything the
estimator asks for, whatever the length of the recording. When the bins run out, neighbours are
added in pairs and the bin width doubles. Batch and live analysis use this one class, so that they
agree to the last bit of rounding.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray

# A quarter of a second resolves the fastest part that matters (time constant 0.2 s) well enough:
# the loss of matched-filter signal for a bin of w seconds and a response of bandwidth 1/(2 pi tau)
# is below 2 %.
FIRST_WIDTH_S = 0.25
# 512 bins keep the dense temporal algebra (512 x 512 matrices) in milliseconds; the byte budget
# keeps a 256 x 192 recording, its bins and the working copies under 400 MB in all.
MOST_BINS = 512
BUDGET_BYTES = 72_000_000


@dataclass(frozen=True, slots=True, eq=False)
class BinnedFrames:
    """Time-binned frames.

    Attributes
    ----------
    values
        (bins, pixels) float32: mean of the frames of a bin, less the reference frame.
    frames
        (bins,) number of frames in each bin.
    segment
        (bins,) segment number of each bin.
    t_s
        (bins,) mean time of the bin's frames, s.
    bin_of_frame
        (n,) bin of each frame added, in order; -1 for frames left out.
    noise
        (rows, cols) float32: standard deviation of one frame's noise, from successive frames.
    reference
        (rows, cols) float32: the frame everything is counted from.
    shape
        (rows, cols).
    """

    values: NDArray[np.float32]
    frames: NDArray[np.int64]
    segment: NDArray[np.int64]
    t_s: FloatArray
    bin_of_frame: NDArray[np.int64]
    noise: NDArray[np.float32]
    reference: NDArray[np.float32]
    shape: tuple[int, int]

    def binned(self, per_frame: FloatArray) -> FloatArray:
        """Return the mean over each bin of a per-frame quantity (n, ...), as (bins, ...)."""
        kept = self.bin_of_frame >= 0
        total = np.zeros((len(self.frames), *np.shape(per_frame)[1:]))
        np.add.at(total, self.bin_of_frame[kept], np.asarray(per_frame)[kept])
        out: FloatArray = total / self.frames.reshape(-1, *([1] * (total.ndim - 1)))
        return out


class BinSums:
    """Running sums over time bins, one frame at a time.

    Parameters
    ----------
    shape
        (rows, cols).
    first_width_s
        Width of a bin to begin with, s.
    most_bins
        Bins to keep; the byte budget may lower it.
    """

    def __init__(
        self,
        shape: tuple[int, int],
        *,
        first_width_s: float = FIRST_WIDTH_S,
        most_bins: int = MOST_BINS,
    ) -> None:
        pixels = shape[0] * shape[1]
        self.shape = shape
        self.width_s = first_width_s
        self._most = max(32, min(most_bins, BUDGET_BYTES // (4 * pixels)))
        self._sums = np.zeros((self._most, pixels), dtype=np.float32)
        self._n = np.zeros(self._most, dtype=np.int64)
        self._t = np.zeros(self._most)
        self._key = np.zeros((self._most, 2), dtype=np.int64)  # segment, running number in time
        self._used = 0
        self._bin_of_frame: list[int] = []
        self._reference: NDArray[np.float32] | None = None
        self._previous: NDArray[np.float32] | None = None
        self._previous_segment = -1
        self._squares = np.zeros(pixels, dtype=np.float32)
        self._pairs = 0

    def __len__(self) -> int:
        """Return the number of frames seen, left-out ones included."""
        return len(self._bin_of_frame)

    def skip(self) -> None:
        """Count a frame that is not used (repeated, shutter)."""
        self._bin_of_frame.append(-1)

    def add(self, values: NDArray[np.float32], *, t_s: float, segment: int = 0) -> None:
        """Add one frame.

        Parameters
        ----------
        values
            (rows, cols) float32; NaN counts as the reference value.
        t_s
            Its time, s; must not run back.
        segment
            Running number of its offset segment; must not run back.
        """
        flat = values.reshape(-1)
        if self._reference is None:
            self._reference = np.nan_to_num(flat, nan=float(np.nanmedian(flat))).astype(np.float32)
        delta = flat - self._reference
        if not np.isfinite(delta.sum()):
            np.nan_to_num(delta, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
        key = (segment, int(np.floor(t_s / self.width_s)))
        if self._used == 0 or tuple(self._key[self._used - 1]) != key:
            while self._used == self._most:
                self._merge_pairs()
                key = (segment, int(np.floor(t_s / self.width_s)))
            if self._used == 0 or tuple(self._key[self._used - 1]) != key:
                self._key[self._used] = key
                self._used += 1
        last = self._used - 1
        self._sums[last] += delta
        self._n[last] += 1
        self._t[last] += t_s
        self._bin_of_frame.append(last)
        if self._previous is not None and self._previous_segment == segment:
            step = delta - self._previous
            np.multiply(step, step, out=step)
            self._squares += step
            self._pairs += 1
        self._previous, self._previous_segment = delta, segment

    def _merge_pairs(self) -> None:
        """Double the bin width: add neighbouring bins of the same segment."""
        self.width_s *= 2
        target = np.zeros(self._used, dtype=np.int64)
        write = -1
        for read in range(self._used):
            key = (int(self._key[read, 0]), int(self._key[read, 1]) // 2)
            if write >= 0 and tuple(self._key[write]) == key:
                self._sums[write] += self._sums[read]
                self._n[write] += self._n[read]
                self._t[write] += self._t[read]
            else:
                write += 1
                if write != read:
                    self._sums[write] = self._sums[read]
                    self._n[write] = self._n[read]
                    self._t[write] = self._t[read]
                self._key[write] = key
            target[read] = write
        for i in range(write + 1, self._used):
            self._sums[i] = 0
            self._n[i] = 0
            self._t[i] = 0
        self._bin_of_frame = [int(target[b]) if b >= 0 else -1 for b in self._bin_of_frame]
        self._used = write + 1

    def result(self) -> BinnedFrames:
        """Return the bins as they stand now.

        Raises
        ------
        ValueError
            If no frame has been added.
        """
        if self._reference is None:
            raise ValueError("no frame has been added")
        n = self._n[: self._used]
        values = (self._sums[: self._used] / n[:, None]).astype(np.float32)
        noise = np.sqrt(self._squares / (2.0 * max(1, self._pairs)))
        return BinnedFrames(
            values=values,
            frames=n.copy(),
            segment=self._key[: self._used, 0].copy(),
            t_s=self._t[: self._used] / n,
            bin_of_frame=np.array(self._bin_of_frame, dtype=np.int64),
            noise=noise.reshape(self.shape).astype(np.float32),
            reference=self._reference.reshape(self.shape),
            shape=self.shape,
        )


def pooled_noise(noise: NDArray[np.float32], *, bad: NDArray[Any] | None = None) -> float:
    """Return one number for the noise of one frame: the median over good pixels."""
    good = np.isfinite(noise) & (noise > 0)
    if bad is not None:
        good &= ~bad
    return float(np.median(noise[good])) if good.any() else 0.0
