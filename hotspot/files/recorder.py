"""Writing recordings, safe against a crash: what was appended opens again.

Frames go to FFV1 in Matroska, every frame a key frame (``g=1``) with a checksum per slice, and the
file is flushed each cluster; ``frames.csv`` is flushed line by line. A killed process then loses
one frame at most (very small frames: those of a cluster, 0.2 s). All files are brought to the disk
itself every `SYNC_S`, so a power cut loses less than a second. ``complete = true`` is written
last. A camera that was unplugged leaves a gap in ``frames.csv``; where it came back is noted in
``resumed_s`` of ``recording.toml``.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TextIO

from numpy.typing import NDArray

from hotspot.errors import RecordingError
from hotspot.files.disk import to_disk
from hotspot.files.encoders import FrameFile, open_frame_file
from hotspot.files.profiles import profile_to_toml, save_bad_pixels
from hotspot.files.tables import save_text, to_csv_line, to_toml_value
from hotspot.frame import Recording
from hotspot.profile import CameraProfile

CONTAINERS = ("mkv", "tif", "npy")
# With a cluster's 0.2 s and a frame or two this keeps the loss of a power cut below a second.
SYNC_S = 0.7


class RecordingWriter:
    """Write a recording frame by frame; use it in a ``with`` statement.

    Parameters
    ----------
    folder
        A new or empty folder.
    profile
        The camera.
    container
        "mkv" (FFV1; uint16, and 8-bit grey or RGB), "tif" (BigTIFF, one page a frame) or "npy";
        float frames need one of the last two.
    board, rail, ambient_c, started, note
        As in `Recording`; `board` is written as given.
    sync_s
        Appending brings all to the disk itself when the last time is longer ago than this; None
        leaves that to the system.

    Raises
    ------
    RecordingError
        The folder holds a recording already, or cannot be written.
    """

    def __init__(
        self,
        folder: Path,
        profile: CameraProfile,
        *,
        container: str = "mkv",
        board: str | None = None,
        rail: str | None = None,
        ambient_c: float | None = None,
        started: str | None = None,
        note: str = "",
        sync_s: float | None = SYNC_S,
    ) -> None:
        if container not in CONTAINERS:
            raise ValueError(f"container must be one of {CONTAINERS}, got {container!r}")
        self.folder = Path(folder)
        self.profile = profile
        self.n_frames = 0
        self._container = container
        self._notes: dict[str, object] = {
            "board": board, "rail": rail, "ambient_c": ambient_c, "started": started,
            "note": note or None,
        }  # fmt: skip
        self._frames: FrameFile | None = None
        self._injection: TextIO | None = None
        self._last_t_s = float("-inf")
        self._last_switch_t_s = float("-inf")
        self._resumed_s: list[float] = []
        self._sync_s = sync_s
        self._synced_at_s = time.monotonic()
        self._is_synced = True
        check_empty(self.folder)
        self._try(self._open)

    def _open(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        bad_pixels = save_bad_pixels(self.profile, self.folder)
        self._camera = profile_to_toml(self.profile, bad_pixels=bad_pixels)
        self._save_settings(complete=False)
        self._times = (self.folder / "frames.csv").open("w", encoding="utf-8", newline="")
        self._times.write("index,t_s\n")
        self._times.flush()

    def append(self, frame: NDArray[Any], t_s: float) -> None:
        """Write one frame and its time.

        Raises
        ------
        ValueError
            The time runs back, or the frame is not like the first.
        RecordingError
            The disk refused.
        """
        if not t_s >= self._last_t_s:
            raise ValueError(f"t_s must be >= {self._last_t_s}, got {t_s!r}")
        if frame.shape[:2] != self.profile.shape:
            raise ValueError(f"frame must have shape {self.profile.shape}, got {frame.shape}")
        self._try(lambda: self._append(frame, float(t_s)))
        self.sync_when_due()

    def _append(self, frame: NDArray[Any], t_s: float) -> None:
        if self._frames is None:
            path = self.folder / f"frames.{self._container}"
            self._frames = open_frame_file(path, frame)
            to_disk(self.folder)
        # Frame first: a time without a frame would promise what is not there.
        self._frames.write(frame, t_s)
        self._times.write(to_csv_line((self.n_frames, t_s)))
        self._times.flush()
        self.n_frames += 1
        self._last_t_s = t_s
        self._is_synced = False

    def note_resumed(self, t_s: float) -> None:
        """Note that the camera was away and that its next frame is of `t_s`.

        Raises
        ------
        RecordingError
            The disk refused.
        """
        self._resumed_s.append(float(t_s))
        self._try(lambda: self._save_settings(complete=False))

    def sync_when_due(self) -> None:
        """Bring all to the disk if that is due; for a time in which no frame comes."""
        if self._is_synced or self._sync_s is None:
            return
        if time.monotonic() - self._synced_at_s >= self._sync_s:
            self.sync()

    def sync(self) -> None:
        """Bring all that was appended to the disk itself, where a power cut leaves it.

        Raises
        ------
        RecordingError
            The disk refused.
        """

        def bring() -> None:
            # Frames before times: a time without a frame would promise what is not there.
            for name in (f"frames.{self._container}", "frames.csv", "injection.csv"):
                path = self.folder / name
                if path.exists():
                    to_disk(path)

        self._try(bring)
        self._is_synced = True
        self._synced_at_s = time.monotonic()

    def append_injection(
        self, t_s: float, *, on: bool, volts: float | None = None, amps: float | None = None
    ) -> None:
        """Write the state of the supply's output from `t_s` on.

        Raises
        ------
        ValueError
            The time does not increase.
        RecordingError
            The disk refused.
        """
        if not t_s > self._last_switch_t_s:
            raise ValueError(f"t_s must be > {self._last_switch_t_s}, got {t_s!r}")

        def write() -> None:
            if self._injection is None:
                path = self.folder / "injection.csv"
                self._injection = path.open("w", encoding="utf-8", newline="")
                self._injection.write("t_s,on,volts,amps\n")
            cells = (float(t_s), int(on), *(None if v is None else float(v) for v in (volts, amps)))
            self._injection.write(to_csv_line(cells))
            self._injection.flush()
            self._is_synced = False

        self._try(write)
        self._last_switch_t_s = t_s

    def close(self, *, complete: bool = True) -> None:
        """Close all files; `complete` says that the recording ended in order."""
        frames, self._frames = self._frames, None
        try:
            if frames is not None:
                self._try(frames.close)
        finally:
            self._try(self._times.close)
            if self._injection is not None:
                self._try(self._injection.close)
        self.sync()
        if complete:
            self._try(lambda: self._save_settings(complete=True))

    def __enter__(self) -> Self:
        """Return the writer itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        """Close the recording; an error on the way leaves it marked as not complete."""
        self.close(complete=kind is None)

    def _save_settings(self, *, complete: bool) -> None:
        entries = {"format": 1, **self._notes}
        lines = [f"{k} = {to_toml_value(v)}\n" for k, v in entries.items() if v is not None]
        if self._resumed_s:
            lines.append(f"resumed_s = {to_toml_value(self._resumed_s)}\n")
        if complete:
            lines.append("complete = true\n")
        save_text("".join([*lines, "\n", self._camera]), self.folder / "recording.toml")

    def _try(self, action: Callable[[], None]) -> None:
        try:
            action()
        except OSError as err:
            raise RecordingError(
                f"cannot be written ({err.strerror or 'No space left for a whole frame'})",
                where=str(self.folder),
                cure="Free some space or choose another disk; what was recorded stays",
            ) from err


def check_empty(folder: Path) -> None:
    """Check that a recording may be written into `folder`.

    Raises
    ------
    RecordingError
        It is a file, or holds a recording already: nothing is ever overwritten.
    """
    if folder.exists() and not folder.is_dir():
        raise RecordingError("is a file", where=str(folder), cure="Give a new folder")
    if (folder / "recording.toml").exists() or (folder / "frames.csv").exists():
        raise RecordingError(
            "holds a recording already", where=str(folder), cure="Give a new folder"
        )


def to_relative(board: str | None, folder: Path) -> str | None:
    """Return a board pack's path as a recording in `folder` notes it."""
    if board is None:
        return None
    try:
        return Path(os.path.relpath(board, folder)).as_posix()
    except ValueError:  # another drive
        return board


def save_recording(recording: Recording, folder: Path, *, container: str = "mkv") -> None:
    """Write a whole recording.

    Parameters
    ----------
    recording
        What to write; its frames are read a few at a time. The board's path is written relative
        to `folder`.
    folder
        A new or empty folder.
    container
        "mkv", "tif" or "npy"; float frames need "tif" or "npy".

    Raises
    ------
    RecordingError
        The folder holds a recording already, or cannot be written.
    """
    folder = Path(folder)
    with RecordingWriter(
        folder,
        recording.profile,
        container=container,
        board=to_relative(recording.board, folder),
        rail=recording.rail,
        ambient_c=recording.ambient_c,
        started=recording.started,
        note=recording.note,
        sync_s=None,
    ) as writer:
        for resumed in recording.resumed_s:
            writer.note_resumed(resumed)
        if len(recording.landmarks):
            lines = ["thermal_x_px,thermal_y_px,photo_x_px,photo_y_px\n"]
            lines += [to_csv_line(float(v) for v in row) for row in recording.landmarks]
            save_text("".join(lines), folder / "landmarks.csv")
        log = recording.injection
        if log is not None:
            for t_s, on, volts, amps in zip(log.t_s, log.on, log.volts, log.amps, strict=True):
                writer.append_injection(
                    float(t_s), on=bool(on), volts=float(volts), amps=float(amps)
                )
        first = 0
        for block in recording.source.chunks():
            times = recording.t_s[first : first + len(block)]
            for frame, t_s in zip(block, times, strict=True):
                writer.append(frame, float(t_s))
            first += len(block)
