"""The picture of the moment: values, and the rise above the cold baseline, lightly smoothed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Smoothing of the shown rise over time: short enough to look live, long enough to calm the noise.
SHOWN_TAU_S = 0.4
BASELINE_S = 5.0
# The colour scale reaches at least this many standard deviations of the shown picture's noise, so
# that a picture of mere noise stays dark.
SCALE_SIGMAS = 8.0


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """One picture, ready to be shown.

    Attributes
    ----------
    number
        Running number, from 1.
    made_unix_s
        When the frame was taken from the camera.
    values
        (rows, cols) float32: °C, or levels of a display video.
    rise
        (rows, cols) float32 above cold, smoothed over time; None without a baseline.
    top
        Value at which the colour scale of the rise ends.
    """

    number: int
    made_unix_s: float
    values: NDArray[np.float32]
    rise: NDArray[np.float32] | None
    top: float


class RisePicture:
    """Baseline, smoothed rise and colour scale, one frame at a time."""

    def __init__(self) -> None:
        self.baseline: NDArray[np.float32] | None = None
        self.noise = 0.0
        self.top = 1.0
        self._collect_until_s: float | None = None
        self._sum: NDArray[np.float64] | None = None
        self._count = 0
        self._previous: NDArray[np.float32] | None = None
        self._shown: NDArray[np.float32] | None = None
        self._last_s = 0.0

    def begin_baseline(self, t_s: float) -> None:
        """Collect the cold baseline from now on."""
        self.baseline, self._shown = None, None
        self._sum, self._count = None, 0
        self._collect_until_s = t_s + BASELINE_S

    def left_s(self, t_s: float) -> float:
        """Return how long the baseline still takes; 0 when none is being taken."""
        return 0.0 if self._collect_until_s is None else max(0.0, self._collect_until_s - t_s)

    @property
    def is_collecting(self) -> bool:
        """Whether the baseline is being taken."""
        return self._collect_until_s is not None

    def add(self, values: NDArray[np.float32], *, t_s: float) -> NDArray[np.float32] | None:
        """Take one frame; return the rise to show, None without a baseline."""
        self._measure_noise(values)
        if self._collect_until_s is not None:
            self._sum = values.astype(np.float64) if self._sum is None else self._sum + values
            self._count += 1
            if t_s >= self._collect_until_s:
                self.baseline = (self._sum / self._count).astype(np.float32)
                self._collect_until_s, self._sum = None, None
        if self.baseline is None or self.baseline.shape != values.shape:
            return None
        rise = values - self.baseline
        rise -= np.float32(np.median(rise[::3, ::3]))  # what the whole picture does is drift
        share = 1.0 - np.exp(-max(t_s - self._last_s, 1e-3) / SHOWN_TAU_S)
        if self._shown is None:
            self._shown = rise
        else:
            self._shown = self._shown + np.float32(share) * (rise - self._shown)
        self._last_s = t_s
        self._follow_scale(float(share))
        return self._shown

    def _measure_noise(self, values: NDArray[np.float32]) -> None:
        if self._previous is not None and self._previous.shape == values.shape:
            step = np.abs(values[::3, ::3] - self._previous[::3, ::3])
            # Median |difference| of two normal deviates is 0.954 sigma.
            found = float(np.median(step)) / 0.954
            if found > 0:
                self.noise = found if self.noise == 0 else 0.95 * self.noise + 0.05 * found
        self._previous = values

    def _follow_scale(self, share: float) -> None:
        if self._shown is None:
            return
        # First-order smoothing leaves share / (2 - share) of the variance.
        floor = SCALE_SIGMAS * self.noise * np.sqrt(share / (2.0 - share))
        peak = float(np.partition(self._shown.ravel()[::2], -8)[-8])
        wanted = max(floor, 1.1 * peak, 1e-3)
        self.top += (0.2 if wanted > self.top else 0.02) * (wanted - self.top)
