"""Frames gathered into time bins: constant memory, one addition a frame, no heat lost.

Heat is slow (a part answers in 0.2 s or more), so sums over short time bins carry everything the
estimator asks for, whatever the length of the recording. When the bins run out, neighbours are
added in pairs and the bin width doubles. Batch and live analysis use this one class, so that they
agree to the last bit of rounding.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace

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
# Frames of a large sensor get more, so that a 640 x 512 recording of two minutes still has bins
# of under a second.
LARGE_FRAME_PIXELS = 120_000
LARGE_BUDGET_BYTES = 200_000_000


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

    def at(self, kept: NDArray[np.bool_]) -> BinnedFrames:
        """Return some of the bins (bins,) only; the frames of the others count as left out."""
        number = np.where(kept, np.cumsum(kept) - 1, -1)
        old = self.bin_of_frame
        return replace(
            self,
            values=self.values[kept],
            frames=self.frames[kept],
            segment=self.segment[kept],
            t_s=self.t_s[kept],
            bin_of_frame=np.where(old >= 0, number[np.maximum(old, 0)], -1),
        )

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
        budget = BUDGET_BYTES if pixels < LARGE_FRAME_PIXELS else LARGE_BUDGET_BYTES
        self._most = max(32, min(most_bins, budget // (4 * pixels)))
        # Sums of each bin: one array, or two still to be added after bins were paired. Adding
        # them one bin at a time keeps every frame cheap; a sum, once a bin is closed, is never
        # changed but replaced, so that `result` may be asked for from another thread.
        self._sums: list[list[NDArray[np.float32]]] = []
        self._unfolded = 0  # bins before this one hold one array
        self._n = np.zeros(self._most, dtype=np.int64)
        self._t = np.zeros(self._most)
        self._key = np.zeros((self._most, 2), dtype=np.int64)  # segment, running number in time
        self._bin_of_frame = np.zeros(1024, dtype=np.int16)
        self._seen = 0
        self._reference: NDArray[np.float32] | None = None
        self._previous: NDArray[np.float32] | None = None
        self._spare: NDArray[np.float32] | None = None
        self._previous_segment = -1
        self._squares = np.zeros(pixels, dtype=np.float32)
        self._pairs = 0
        self._lock = threading.Lock()

    def __len__(self) -> int:
        """Return the number of frames seen, left-out ones included."""
        return self._seen

    def skip(self) -> None:
        """Count a frame that is not used (repeated, shutter)."""
        with self._lock:
            self._note(-1)

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
        # Two arrays in turn: new ones for every frame would cost more than the sums.
        delta = np.empty_like(self._reference) if self._spare is None else self._spare
        np.subtract(flat, self._reference, out=delta)
        if not np.isfinite(delta.sum()):
            np.nan_to_num(delta, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
        with self._lock:
            last = self._bin_at(t_s, segment=segment)
            self._sums[last][0] += delta
            self._n[last] += 1
            self._t[last] += t_s
            self._note(last)
            if self._previous is not None and self._previous_segment == segment:
                step = np.subtract(delta, self._previous, out=self._previous)
                np.multiply(step, step, out=step)
                self._squares += step
                self._pairs += 1
            self._spare, self._previous, self._previous_segment = self._previous, delta, segment

    def _bin_at(self, t_s: float, *, segment: int) -> int:
        """Return the bin of a time, a new one where the last does not hold it."""
        key = (segment, int(np.floor(t_s / self.width_s)))
        if not self._is_last(key):
            while len(self._sums) == self._most:
                self._merge_pairs()
                key = (segment, int(np.floor(t_s / self.width_s)))
            if not self._is_last(key):
                self._key[len(self._sums)] = key
                self._sums.append([np.zeros_like(self._squares)])
                self._fold_next()
        last = len(self._sums) - 1
        if len(self._sums[last]) > 1:
            self._sums[last] = [self._sums[last][0] + self._sums[last][1]]
        return last

    def _is_last(self, key: tuple[int, int]) -> bool:
        used = len(self._sums)
        return used > 0 and (int(self._key[used - 1, 0]), int(self._key[used - 1, 1])) == key

    def _note(self, index: int) -> None:
        if self._seen == len(self._bin_of_frame):
            self._bin_of_frame = np.concatenate(
                [self._bin_of_frame, np.zeros_like(self._bin_of_frame)]
            )
        self._bin_of_frame[self._seen] = index
        self._seen += 1

    def _fold_next(self) -> None:
        """Add the two sums of the next bin that holds two."""
        while self._unfolded < len(self._sums):
            sums = self._sums[self._unfolded]
            self._unfolded += 1
            if len(sums) > 1:
                self._sums[self._unfolded - 1] = [sums[0] + sums[1]]
                return

    def _merge_pairs(self) -> None:
        """Double the bin width: neighbouring bins of the same segment become one."""
        while self._unfolded < len(self._sums):
            self._fold_next()
        self.width_s *= 2
        used = len(self._sums)
        target = np.zeros(used, dtype=np.int16)
        sums: list[list[NDArray[np.float32]]] = []
        for read in range(used):
            key = (int(self._key[read, 0]), int(self._key[read, 1]) // 2)
            write = len(sums) - 1
            if write >= 0 and (int(self._key[write, 0]), int(self._key[write, 1])) == key:
                sums[write] = [sums[write][0], self._sums[read][0]]
                self._n[write] += self._n[read]
                self._t[write] += self._t[read]
            else:
                write += 1
                sums.append(self._sums[read])
                self._n[write] = self._n[read]
                self._t[write] = self._t[read]
                self._key[write] = key
            target[read] = write
        self._n[len(sums) :] = 0
        self._t[len(sums) :] = 0
        seen = self._bin_of_frame[: self._seen]
        seen[seen >= 0] = target[seen[seen >= 0]]
        self._sums, self._unfolded = sums, 0

    def result(self) -> BinnedFrames:
        """Return the bins as they stand now.

        Raises
        ------
        ValueError
            If no frame has been added.
        """
        with self._lock:
            if self._reference is None or not self._sums:
                raise ValueError("no frame has been added")
            used = len(self._sums)
            sums = [list(arrays) for arrays in self._sums]
            sums[-1] = [a.copy() for a in sums[-1]]  # the only ones that still change
            n = self._n[:used].copy()
            t_s = self._t[:used] / n
            segment = self._key[:used, 0].copy()
            bin_of_frame = self._bin_of_frame[: self._seen].astype(np.int64)
            noise = np.sqrt(self._squares / (2.0 * max(1, self._pairs)))
        values = np.empty((used, len(noise)), dtype=np.float32)
        for i, arrays in enumerate(sums):
            total = arrays[0] if len(arrays) == 1 else arrays[0] + arrays[1]
            np.divide(total, np.float32(n[i]), out=values[i])
        return BinnedFrames(
            values=values,
            frames=n,
            segment=segment,
            t_s=t_s,
            bin_of_frame=bin_of_frame,
            noise=noise.reshape(self.shape).astype(np.float32),
            reference=self._reference.reshape(self.shape),
            shape=self.shape,
        )
