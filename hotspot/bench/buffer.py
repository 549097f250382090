"""What the live analysis works on: frames averaged over short times, in bounded memory."""

from __future__ import annotations

import threading

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray

# A part answers in 0.2 s or more: averages over an eighth of a second lose nothing of that.
FIRST_WIDTH_S = 0.125
# 320 averages of 256 × 192 float32 are 63 MB; when they are full, neighbours are averaged in pairs.
MOST_MEANS = 320


class LiveBuffer:
    """Means of successive frames; the width doubles when the room is used up."""

    def __init__(self, *, width_s: float = FIRST_WIDTH_S, most: int = MOST_MEANS) -> None:
        self.width_s = width_s
        self._most = most
        self._lock = threading.Lock()
        self._means: list[NDArray[np.float32]] = []
        self._times: list[float] = []
        self._sum: NDArray[np.float32] | None = None
        self._count, self._time_sum, self._begun_s = 0, 0.0, 0.0

    def __len__(self) -> int:
        """Return the number of finished means."""
        return len(self._means)

    def add(self, values: NDArray[np.float32], *, t_s: float) -> None:
        """Add one frame; times must not run back."""
        if self._sum is not None and t_s - self._begun_s >= self.width_s:
            self._finish()
        if self._sum is None:
            self._sum, self._begun_s = values.copy(), t_s
            self._count, self._time_sum = 1, t_s
            return
        self._sum += values
        self._count += 1
        self._time_sum += t_s

    def result(self) -> tuple[NDArray[np.float32], FloatArray]:
        """Return the finished means (n, rows, cols) and their mean times (n,)."""
        with self._lock:
            means, times = list(self._means), list(self._times)
        if not means:
            return np.zeros((0, 0, 0), np.float32), np.zeros(0)
        return np.stack(means), np.array(times)

    def _finish(self) -> None:
        total, self._sum = self._sum, None
        if total is None:
            return
        with self._lock:
            self._means.append(total / np.float32(self._count))
            self._times.append(self._time_sum / self._count)
            if len(self._means) >= self._most:
                self._halve()

    def _halve(self) -> None:
        pairs = len(self._means) // 2
        self._means = [
            (self._means[2 * i] + self._means[2 * i + 1]) * np.float32(0.5) for i in range(pairs)
        ]
        self._times = [0.5 * (self._times[2 * i] + self._times[2 * i + 1]) for i in range(pairs)]
        self.width_s *= 2
