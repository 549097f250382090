"""Recording beside the live picture: a thread of its own, so that a slow disk drops no picture."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.errors import HotspotError
from hotspot.files.recorder import RecordingWriter
from hotspot.files.tables import save_text, to_csv_line
from hotspot.profile import CameraProfile

# Some seconds of frames: a disk that sleeps longer than that costs frames, which are counted.
QUEUE_FRAMES = 240
_TICK_S = 0.001  # times of the log are written to the millisecond and always increase


class Tape:
    """One recording being written.

    Parameters
    ----------
    folder
        A new or empty folder.
    profile
        The camera.
    container
        As for `hotspot.files.recorder.RecordingWriter`.
    rail, note
        As in `hotspot.frame.Recording`.
    landmarks
        (n, 4) thermal and photo px.
    """

    def __init__(
        self,
        folder: Path,
        profile: CameraProfile,
        *,
        container: str = "mkv",
        rail: str | None = None,
        landmarks: FloatArray | None = None,
        note: str = "",
    ) -> None:
        self.folder = folder
        self.lost = 0
        self.problem = ""
        self.n_frames = 0
        started = datetime.now(UTC).isoformat(timespec="seconds")
        self._writer = RecordingWriter(
            folder, profile, container=container, rail=rail, started=started, note=note
        )
        if landmarks is not None and len(landmarks):
            lines = ["thermal_x_px,thermal_y_px,photo_x_px,photo_y_px\n"]
            lines += [to_csv_line(float(v) for v in row) for row in landmarks]
            save_text("".join(lines), folder / "landmarks.csv")
        self._last_switch_s = -1.0
        # Without a bound of its own: a line of the injection log must neither wait nor get lost.
        self._jobs: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="recording", daemon=True)
        self._thread.start()

    def frame(self, counts: NDArray[Any], *, t_s: float) -> None:
        """Queue one frame; a full queue loses it and counts that."""
        if self._jobs.qsize() >= QUEUE_FRAMES:
            self.lost += 1
            return
        picture = np.array(counts)
        self._jobs.put(lambda: self._writer.append(picture, t_s))
        self.n_frames += 1

    def switch(self, t_s: float, *, on: bool, volts: float | None, amps: float | None) -> None:
        """Queue one line of the injection log; times at the same millisecond are told apart."""
        self._last_switch_s = max(round(t_s, 3), self._last_switch_s + _TICK_S)
        at_s = self._last_switch_s
        self._jobs.put(lambda: self._writer.append_injection(at_s, on=on, volts=volts, amps=amps))

    def close(self) -> None:
        """Write all that is queued and close.

        Raises
        ------
        HotspotError
            If the disk refused meanwhile; what was written stays.
        """
        self._jobs.put(None)
        self._thread.join(timeout=30)
        self._writer.close(complete=not self.problem)

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            if self.problem:
                continue  # the disk said no: empty the queue, keep what was written
            try:
                job()
            except (HotspotError, ValueError) as err:
                self.problem = str(err)
