"""What is written down while the camera runs: when the output was switched, how frames arrive."""

from __future__ import annotations

from collections import deque
from typing import Any

import numpy as np
from numpy.typing import NDArray

# Rates are those of the last so many frames; three seconds at 30 frames a second.
_FRAMES = 90
_SILENT_S = 2.0


class OutputLog:
    """Times at which the output changed."""

    def __init__(self) -> None:
        self._edges: list[tuple[float, bool]] = []

    @property
    def is_known(self) -> bool:
        """Whether the output's state has ever been noted."""
        return bool(self._edges)

    @property
    def on(self) -> bool:
        """Whether it is on, as far as noted."""
        return bool(self._edges) and self._edges[-1][1]

    def since_s(self, t_s: float) -> float:
        """Return how long it has been as it is."""
        # A switching is noted on the clock of the wall, which is ahead of the last frame's.
        return max(0.0, t_s - self._edges[-1][0]) if self._edges else 0.0

    def is_news(self, on: bool) -> bool:
        """Return whether a state is another than the one noted last."""
        return not self._edges or self._edges[-1][1] is not on

    def note(self, t_s: float, on: bool) -> bool:
        """Note a state; return whether it is another than before."""
        if not self.is_news(on):
            return False
        self._edges.append((t_s, on))
        return True

    def from_now(self, t_s: float) -> OutputLog:
        """Return a log that begins with the present state; empty when that is not known."""
        begun = OutputLog()
        if self._edges:
            begun.note(t_s, self.on)
        return begun


class Arrivals:
    """How often frames come, and how often really new ones."""

    def __init__(self) -> None:
        self._times: deque[tuple[float, bool]] = deque(maxlen=_FRAMES)
        self._previous: NDArray[Any] | None = None

    def add(self, counts: NDArray[Any], *, now_s: float) -> None:
        """Note a frame."""
        previous, self._previous = self._previous, counts
        fresh = previous is None or not np.array_equal(previous, counts)
        self._times.append((now_s, fresh))

    def rates_hz(self, *, now_s: float) -> tuple[float, float]:
        """Return frames and new frames a second; zeros when none has come for two seconds."""
        if len(self._times) < 3 or now_s - self._times[-1][0] > _SILENT_S:
            return 0.0, 0.0
        span_s = self._times[-1][0] - self._times[0][0]
        if span_s <= 0:
            return 0.0, 0.0
        fresh = sum(new for _, new in list(self._times)[1:])
        return (len(self._times) - 1) / span_s, fresh / span_s
