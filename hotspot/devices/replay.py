"""A recording played again at its own pace, as if it were a camera."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Any

from numpy.typing import NDArray

from hotspot.errors import CameraError
from hotspot.frame import RawFrame, Recording
from hotspot.profile import CameraProfile

# A gap in the recording is not waited for longer than this.
LONGEST_GAP_S = 2.0


class ReplayCamera:
    """Plays a recording once; then the camera is gone.

    Parameters
    ----------
    recording
        What to play.
    clock, wait
        Time in s, and how to let it pass.
    """

    def __init__(
        self,
        recording: Recording,
        *,
        clock: Callable[[], float] = time.monotonic,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        self.recording = recording
        self._clock, self._wait = clock, wait
        self._frames = self._play()
        self._index = 0
        self._due_s = clock()
        self.ended = False

    @property
    def profile(self) -> CameraProfile:
        """What its numbers mean."""
        return self.recording.profile

    def read(self) -> RawFrame:
        """Return the next frame when it is due, with its own time.

        Raises
        ------
        CameraError
            At the end.
        """
        counts = next(self._frames, None)
        if counts is None:
            self.ended = True
            raise CameraError(
                "has been played to its end", where=self.recording.name, cure="Open it again"
            )
        t_s = self.recording.t_s
        if self._index:
            gap_s = float(t_s[self._index] - t_s[self._index - 1])
            self._due_s += min(max(gap_s, 0.0), LONGEST_GAP_S)
        rest_s = self._due_s - self._clock()
        if rest_s > 0:
            self._wait(rest_s)
        elif rest_s < -LONGEST_GAP_S:
            self._due_s = self._clock()  # the machine was away: go on from here
        frame = RawFrame(counts=counts, t_s=float(t_s[self._index]), index=self._index)
        self._index += 1
        return frame

    def close(self) -> None:
        """Stop."""
        self._frames = iter(())

    def _play(self) -> Iterator[NDArray[Any]]:
        for chunk in self.recording.source.chunks(16):
            yield from chunk
