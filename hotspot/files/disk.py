"""The disk under a recording: how long its room lasts, and what a power cut leaves."""

from __future__ import annotations

import contextlib
import math
import os
import shutil
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

# Kept free: closing takes kilobytes, but the evidence, the job's notes and the rest of the machine
# need room as well once the recording has ended (common practice, no source).
RESERVE_BYTES = 64 << 20
# The rate is that of the last so many seconds: long enough to even out the disk's own caching.
WINDOW_S = 20.0
# No forecast from less than this.
LEAST_S = 1.0


@dataclass(frozen=True, slots=True)
class Room:
    """What is left of a disk.

    Attributes
    ----------
    free_bytes
        Free for this user.
    left_s
        Time until only `RESERVE_BYTES` are left at the present rate; infinite while unknown.
    """

    free_bytes: int
    left_s: float

    @property
    def is_used_up(self) -> bool:
        """Whether a recording must end now to end in order."""
        return self.free_bytes <= RESERVE_BYTES


class RoomGauge:
    """Says how long the room on a disk lasts.

    Parameters
    ----------
    folder
        The recording.
    free_bytes
        Free bytes of the disk that a folder lies on.
    """

    def __init__(self, folder: Path, *, free_bytes: Callable[[Path], int] | None = None) -> None:
        self.folder = folder
        self._free_bytes = free_bytes or measure_free_bytes
        self._seen: deque[tuple[float, int, int]] = deque()

    def measure(self, now_s: float) -> Room:
        """Return what is left; call it about once a second.

        The rate is the faster of two: what this recording wrote, and how fast the free bytes
        fell, since others may be writing too.
        """
        try:
            free = self._free_bytes(self.folder)
        except OSError:  # a network folder that is away for a moment says nothing
            return Room(RESERVE_BYTES + 1, math.inf)
        self._seen.append((now_s, measure_folder_bytes(self.folder), free))
        while now_s - self._seen[0][0] > WINDOW_S and len(self._seen) > 2:
            self._seen.popleft()
        first_s, first_bytes, first_free = self._seen[0]
        took_s = now_s - first_s
        if took_s < LEAST_S:
            return Room(free, math.inf)
        rate = max(self._seen[-1][1] - first_bytes, first_free - free, 0) / took_s
        return Room(free, max(free - RESERVE_BYTES, 0) / rate if rate > 0 else math.inf)


def measure_free_bytes(folder: Path) -> int:
    """Return the bytes that are free for this user on the disk that `folder` lies on."""
    return shutil.disk_usage(folder).free


def measure_folder_bytes(folder: Path) -> int:
    """Return the size of the files in `folder`."""
    total = 0
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            with contextlib.suppress(OSError):
                total += entry.stat().st_size
    return total


def to_disk(path: Path) -> None:
    """Have the system write a file, or the entries of a folder, to the disk itself.

    The file may be open elsewhere, for writing: what was handed to the system until now counts.
    Folders cannot be written out on every system; there the system does it in its own time.
    """
    is_folder = path.is_dir()
    try:
        # Windows writes out only what is open for writing; folders can be opened for reading only.
        handle = os.open(path, os.O_RDONLY if is_folder else os.O_RDWR)
    except OSError:
        if is_folder:
            return
        raise
    try:
        os.fsync(handle)
    except OSError:
        if not is_folder:
            raise
    finally:
        os.close(handle)
