"""Frames that are dear to decode, kept in a temporary file after the first pass over them."""

from __future__ import annotations

import contextlib
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from hotspot.files.checked import Container

# A minute at 25 Hz and 256 x 192 is 147 MB. The temporary folder may lie in memory, so longer
# recordings are decoded again on each pass rather than kept.
MAX_SPOOL_BYTES = 400 << 20


class SpooledSource:
    """A container whose frames come from a temporary file from the second pass on.

    The pipeline goes over the frames more than once; FFV1 costs 2.5 ms a frame, reading them back
    0.05 ms. The file has no name (it goes away with the process) and is used only after one pass
    went through to the end.

    Parameters
    ----------
    container
        The open container.
    max_bytes
        Frames that together are larger than this are not kept.
    """

    def __init__(self, container: Container, *, max_bytes: int = MAX_SPOOL_BYTES) -> None:
        self.container = container
        self.path: Path = container.path
        self.shape = container.shape
        self.dtype = container.dtype
        self._frame_bytes = int(np.prod(container.shape)) * container.dtype.itemsize
        self._fits = 0 < len(container) * self._frame_bytes <= max_bytes
        self._spool: IO[bytes] | None = None
        self._lock = threading.Lock()

    def __len__(self) -> int:
        """Return the number of frames."""
        return len(self.container)

    def chunks(self, size: int = 64) -> Iterator[NDArray[Any]]:
        """Yield arrays of at most `size` frames, in order."""
        if self._spool is not None:
            yield from self._from_spool(self._spool, size)
            return
        if not self._fits:
            yield from self.container.chunks(size)
            return
        yield from self._first_pass(size)

    def _first_pass(self, size: int) -> Iterator[NDArray[Any]]:
        spool: IO[bytes] | None = None
        with contextlib.suppress(OSError):
            spool = tempfile.TemporaryFile()  # noqa: SIM115 (it lives as long as the source)
        n = 0
        try:
            for block in self.container.chunks(size):
                n += len(block)
                if spool is not None:
                    try:
                        spool.write(np.ascontiguousarray(block).data)
                    except OSError:  # no room: go on without
                        spool.close()
                        spool = None
                # Before the last block is handed out: readers seldom ask for one more.
                if n == len(self.container) and spool is not None:
                    with self._lock:
                        if self._spool is None:
                            self._spool, spool = spool, None
                yield block
        finally:
            if spool is not None:
                spool.close()

    def _from_spool(self, spool: IO[bytes], size: int) -> Iterator[NDArray[Any]]:
        n = len(self.container)
        for first in range(0, n, size):
            block = np.empty((min(size, n - first), *self.shape), dtype=self.dtype)
            with self._lock:  # two readers share the file's position
                spool.seek(first * self._frame_bytes)
                data = spool.read(block.nbytes)
            block.reshape(-1).view(np.uint8)[:] = np.frombuffer(data, dtype=np.uint8)
            yield block
