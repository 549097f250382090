"""Recording beside the live picture: a thread of its own, so that a slow disk drops no picture.

The camera's thread only ever puts a frame into a bounded queue and never waits: a full queue loses
the frame and counts it. Opening, writing, bringing to disk and closing belong to the tape's thread.
"""

from __future__ import annotations

import math
import queue
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.errors import HotspotError, RecordingError
from hotspot.files.disk import Room, RoomGauge
from hotspot.files.recorder import RecordingWriter, to_relative
from hotspot.files.tables import save_text, to_csv_line
from hotspot.profile import CameraProfile, Values

# Some seconds of frames: a disk that sleeps longer than that costs frames, which are counted.
QUEUE_FRAMES = 240
# ... but not more memory than this, whatever the camera.
QUEUE_BYTES = 256 << 20
# Time to end a run in order and to make room (common practice, no source).
WARN_S = 600.0
# The room on the disk is looked at this often, and a quiet camera's frames are brought to disk.
LOOK_S = 0.5
# A disk that does not take what is queued in this time has gone.
CLOSE_S = 30.0
_OTHER_PICTURE = "The camera came back with another picture: the recording was closed in order"
_TICK_S = 0.001  # times of the log are written to the millisecond and always increase

_Job = Callable[[], None]


class Tape:
    """One recording being written.

    Parameters
    ----------
    folder
        A new or empty folder.
    profile
        The camera.
    container
        As for `hotspot.files.recorder.RecordingWriter`; None: what fits the camera's values.
    board, rail, note
        As in `hotspot.frame.Recording`; the board's path is written relative to `folder`.
    landmarks
        (n, 4) thermal and photo px.
    free_bytes
        Free bytes of the disk that a folder lies on; None asks the system.

    Raises
    ------
    hotspot.errors.RecordingError
        The folder holds a recording or cannot be written, or the disk is nearly full.
    """

    def __init__(
        self,
        folder: Path,
        profile: CameraProfile,
        *,
        container: str | None = None,
        board: Path | None = None,
        rail: str | None = None,
        landmarks: FloatArray | None = None,
        note: str = "",
        free_bytes: Callable[[Path], int] | None = None,
    ) -> None:
        if container is None:
            container = "tif" if profile.values is Values.CELSIUS else "mkv"
        self.folder = folder
        self.profile = profile
        self.lost = 0
        self.problem = ""
        self.n_frames = 0
        started = datetime.now(UTC).isoformat(timespec="seconds")
        self._writer = RecordingWriter(
            folder,
            profile,
            container=container,
            board=None if board is None else to_relative(str(board), folder),
            rail=rail,
            started=started,
            note=note,
        )
        if landmarks is not None and len(landmarks):
            _save_landmarks(landmarks, folder)
        self._gauge = RoomGauge(folder, free_bytes=free_bytes)
        self._room = self._gauge.measure(time.monotonic())
        if self._room.is_used_up:
            self._writer.close(complete=False)
            raise RecordingError(
                f"only {self._room.free_bytes / 1e6:.0f} MB are free on this disk",
                where=str(folder),
                cure="Make room first: delete or move old recordings",
            )
        self._last_switch_s = -1.0
        self._resumed = False
        self._closed = False
        self._lock = threading.Lock()
        self._waiting = 0
        self._jobs: queue.SimpleQueue[tuple[_Job, bool] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="recording", daemon=True)
        self._thread.start()

    def frame(self, counts: NDArray[Any], *, t_s: float) -> None:
        """Queue one frame; a full queue loses it and counts that. Never waits."""
        if self._closed or self.problem:
            return
        with self._lock:
            most = min(QUEUE_FRAMES, max(8, QUEUE_BYTES // max(counts.nbytes, 1)))
            if self._waiting >= most:
                self.lost += 1
                return
            self._waiting += 1
        if self._resumed:
            self._resumed = False
            self._jobs.put((lambda: self._writer.note_resumed(t_s), False))
        picture = np.array(counts)
        self._jobs.put((lambda: self._writer.append(picture, t_s), True))
        self.n_frames += 1

    def switch(self, t_s: float, *, on: bool, volts: float | None, amps: float | None) -> None:
        """Queue one line of the injection log. Never waits, and is never lost to a full queue."""
        self._last_switch_s = max(round(t_s, 3), self._last_switch_s + _TICK_S)
        at_s = self._last_switch_s
        self._jobs.put(
            (lambda: self._writer.append_injection(at_s, on=on, volts=volts, amps=amps), False)
        )

    def resume(self, profile: CameraProfile) -> None:
        """Note with the next frame that the camera was away before it. Never waits.

        A camera that comes back with another size or kind of picture ends the recording in order.
        """
        self._resumed = True
        if (profile.shape, profile.values) != (self.profile.shape, self.profile.values):
            self._closed = True
            self._jobs.put((lambda: self._end(_OTHER_PICTURE), False))

    def set_landmarks(self, landmarks: FloatArray) -> None:
        """Keep other landmarks (n, 4) with the recording; none changes nothing. Never waits."""
        if len(landmarks):
            rows = np.array(landmarks)
            self._jobs.put((lambda: _save_landmarks(rows, self.folder), False))

    @property
    def waiting(self) -> int:
        """How many frames are queued and not yet written."""
        return self._waiting

    @property
    def says(self) -> str:
        """What the technician should know of the disk, one sentence; empty when all is well."""
        if self.problem:
            return self.problem
        left_s = self._room.left_s
        if math.isfinite(left_s) and left_s < WARN_S:
            return f"The disk has room for {max(left_s / 60.0, 0.0):.1f} min more"
        return ""

    def wait_for_room(self) -> None:
        """Wait until the disk keeps up; for a clock that can stand still."""
        while self._waiting > QUEUE_FRAMES // 2 and self._thread.is_alive():
            time.sleep(0.01)

    def close(self) -> None:
        """Write all that is queued and close.

        Raises
        ------
        HotspotError
            If the disk refused meanwhile; what was written stays.
        """
        self._closed = True
        self._jobs.put(None)
        self._thread.join(timeout=CLOSE_S)
        if self._thread.is_alive():
            self.problem = (
                f"The disk has not taken the recording for {CLOSE_S:.0f} s; it is still tried"
            )
        if self.problem:
            raise HotspotError(self.problem, where=str(self.folder))

    # The tape's thread ---------------------------------------------------------------------------

    def _work(self) -> None:
        looked_s = time.monotonic()
        while True:
            try:
                job = self._jobs.get(timeout=LOOK_S)
            except queue.Empty:
                self._attempt(self._writer.sync_when_due)
                job = (lambda: None, False)
            if job is None:
                break
            action, is_frame = job
            if is_frame:
                with self._lock:
                    self._waiting -= 1
            if self.problem:
                continue  # the recording has ended: empty the queue, keep what was written
            self._attempt(action)
            now_s = time.monotonic()
            if now_s - looked_s >= LOOK_S:
                looked_s = now_s
                self._look_at_disk(self._gauge.measure(now_s))
        if not self.problem:
            self._attempt(self._writer.close)

    def _look_at_disk(self, room: Room) -> None:
        """End the recording in order while there is still room to do so."""
        self._room = room
        if not room.is_used_up or self.problem:
            return
        self._end(
            f"The disk is nearly full: the recording was closed in order after "
            f"{self._writer.n_frames} frames. Make room and record again"
        )

    def _end(self, reason: str) -> None:
        self._attempt(self._writer.close)
        self.problem = self.problem or reason

    def _attempt(self, action: _Job) -> None:
        try:
            action()
        except (HotspotError, ValueError) as err:
            self.problem = str(err)
            try:
                self._writer.close(complete=False)
            except HotspotError:
                return  # said already; what was written stays


def _save_landmarks(landmarks: FloatArray, folder: Path) -> None:
    lines = ["thermal_x_px,thermal_y_px,photo_x_px,photo_y_px\n"]
    lines += [to_csv_line(float(v) for v in row) for row in landmarks]
    save_text("".join(lines), folder / "landmarks.csv")
