"""Frame containers on disk, read a few frames at a time: what they share, and NPY.

Every source is lazy and can be read again from the start. Only headers are looked at when it is
opened; sizes that a header declares are compared with the file and with the camera's frame before
a single pixel is decoded, so that a damaged or hostile file cannot ask for absurd memory. Pixels
are read with plain reads, not by mapping: mapped pages of a long recording count as memory.
"""

from __future__ import annotations

import itertools
import tokenize
from collections.abc import Iterator
from io import BufferedReader
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.errors import InputError, RecordingError

COPY_AGAIN = "Copy the recording again from the bench"
# A decoded frame of the largest sensor as float32 is 1 GB; a header asking for more is nonsense.
MAX_FRAME_BYTES = 1 << 30
# Values looked at to see whether a frame may be empty: a few lines' worth, one disk block.
_PROBE_VALUES = 64
# What numpy's header reader answers damage with; it tokenizes the header like a program.
_BAD_HEADER = (ValueError, EOFError, OSError, SyntaxError, TypeError, MemoryError, RecursionError,
               tokenize.TokenError)  # fmt: skip


class BlockSource:
    """Frames that lie uncompressed in one file at known places.

    Parameters
    ----------
    path
        The file.
    places
        Byte offset of each frame.
    shape
        (rows, cols) or (rows, cols, 3).
    dtype
        As stored, byte order included.
    """

    def __init__(
        self, path: Path, *, places: NDArray[np.int64], shape: tuple[int, ...], dtype: np.dtype[Any]
    ) -> None:
        self.path = path
        self.places = places
        self.shape = shape
        self.dtype = dtype
        self._frame_bytes = int(np.prod(shape)) * dtype.itemsize

    def __len__(self) -> int:
        """Return the number of frames."""
        return len(self.places)

    def chunks(self, size: int = 64) -> Iterator[NDArray[Any]]:
        """Yield arrays of at most `size` frames, in order."""
        with open_bytes(self.path) as file:
            for first in range(0, len(self.places), size):
                places = self.places[first : first + size]
                block = np.empty((len(places), *self.shape), dtype=self.dtype)
                flat = block.reshape(-1).view(np.uint8)
                for start, stop, place in self._runs(places):
                    file.seek(place)
                    target = flat[start * self._frame_bytes : stop * self._frame_bytes]
                    if file.readinto(target.data) != target.nbytes:
                        raise truncated(self.path, frame=first + start)
                yield block

    def find_empty(self) -> NDArray[np.bool_]:
        """Return (n,) bool: frames of floats in which no value is a number.

        Only the first values of each frame are read, and the whole of those that begin empty.
        """
        empty = np.zeros(len(self), dtype=np.bool_)
        n_bytes = min(self._frame_bytes, _PROBE_VALUES * self.dtype.itemsize)
        with open_bytes(self.path) as file:
            for k, place in enumerate(self.places.tolist()):
                file.seek(place)
                if np.isfinite(np.frombuffer(file.read(n_bytes), dtype=self.dtype)).any():
                    continue
                file.seek(place)
                whole = np.frombuffer(file.read(self._frame_bytes), dtype=self.dtype)
                empty[k] = not np.isfinite(whole).any()
        return empty

    def _runs(self, places: NDArray[np.int64]) -> Iterator[tuple[int, int, int]]:
        """Yield (first, stop, byte offset) of frames that lie side by side."""
        breaks = np.flatnonzero(np.diff(places) != self._frame_bytes) + 1
        edges = [0, *breaks.tolist(), len(places)]
        for start, stop in itertools.pairwise(edges):
            yield start, stop, int(places[start])


class MappedSource:
    """Frames of an NPY file in Fortran order, which do not lie whole in the file."""

    def __init__(self, path: Path, frames: NDArray[Any]) -> None:
        self.path = path
        self.frames = frames
        self.shape = tuple(int(n) for n in frames.shape[1:])
        self.dtype = frames.dtype

    def __len__(self) -> int:
        """Return the number of frames."""
        return int(self.frames.shape[0])

    def chunks(self, size: int = 64) -> Iterator[NDArray[Any]]:
        """Yield arrays of at most `size` frames, in order."""
        for first in range(0, len(self), size):
            yield np.ascontiguousarray(self.frames[first : first + size])


def _npy_header(path: Path) -> tuple[tuple[int, ...], bool, np.dtype[Any], int, int]:
    """Return shape, order, type, where the numbers begin and how many bytes there are."""
    with open_bytes(path) as file:
        try:
            version = np.lib.format.read_magic(file)
            read = (
                np.lib.format.read_array_header_1_0
                if version == (1, 0)
                else np.lib.format.read_array_header_2_0
            )
            shape, fortran, dtype = read(file, max_header_size=10000)
            start = file.tell()
        except _BAD_HEADER as err:
            raise RecordingError("is not an NPY file", where=str(path), cure=COPY_AGAIN) from err
        file.seek(0, 2)
        return shape, fortran, dtype, start, file.tell() - start


def load_plane(path: Path, *, cure: str) -> NDArray[np.float32]:
    """Return an NPY file of one picture, (rows, cols) float32; never unpickles.

    Raises
    ------
    InputError
        Not such a file, or not as long as it says.
    """
    shape, fortran, dtype, start, stored_bytes = _npy_header(path)
    if len(shape) != 2 or dtype.kind not in "fiu" or any(n < 1 for n in shape):
        raise InputError("is no picture of numbers", where=str(path), cure=cure)
    if frame_bytes(shape, dtype, path) > stored_bytes:
        raise InputError("ends early", where=str(path), cure=cure)
    with open_bytes(path) as file:
        file.seek(start)
        data = file.read(frame_bytes(shape, dtype, path))
    plane = np.frombuffer(data, dtype=dtype).reshape(shape, order="F" if fortran else "C")
    with np.errstate(over="ignore"):  # beyond float32: infinite, and no number to anyone
        return np.ascontiguousarray(plane, dtype=np.float32)


def open_npy(path: Path) -> BlockSource | MappedSource:
    """Open an NPY file of shape (n, rows, cols) or (n, rows, cols, 3); never unpickles.

    A file that ends early gives the frames that are there.

    Raises
    ------
    RecordingError
        Not an NPY file, or of another shape.
    """
    shape, fortran, dtype, start, stored_bytes = _npy_header(path)
    if dtype.hasobject or dtype.fields is not None:
        raise RecordingError(
            "holds Python objects, not numbers", where=str(path), cure="Save it as uint16"
        )
    if len(shape) not in (3, 4) or any(n < 1 for n in shape[1:]):
        raise RecordingError(
            f"has shape {shape}", where=str(path), cure="Needs (frames, rows, columns)"
        )
    frame_shape = tuple(int(n) for n in shape[1:])
    n_bytes = frame_bytes(frame_shape, dtype, path)
    if fortran:
        if stored_bytes < shape[0] * n_bytes:
            raise truncated(path, frame=None)
        mapped = np.memmap(path, dtype=dtype, mode="r", offset=start, shape=shape, order="F")
        return MappedSource(path, mapped)
    n = min(int(shape[0]), stored_bytes // n_bytes)
    places = start + np.arange(n, dtype=np.int64) * n_bytes
    return BlockSource(path, places=places, shape=frame_shape, dtype=dtype)


def describe(shape: tuple[int, ...], dtype: np.dtype[Any]) -> str:
    """Return a frame's size and type in words: "256 x 192 uint16"."""
    colour = " RGB" if len(shape) == 3 else ""
    size = f"{shape[1]} x {shape[0]}" if len(shape) >= 2 else str(shape)
    return f"{size}{colour} {dtype.newbyteorder('=').name}"


def frame_bytes(shape: tuple[int, ...], dtype: np.dtype[Any], path: Path) -> int:
    """Return the size of one frame; an absurd one is an error before memory is asked for."""
    total = dtype.itemsize
    for n in shape:
        total *= int(n)
    if not 0 < total <= MAX_FRAME_BYTES:
        raise RecordingError(
            f"declares frames of {total / 2**20:.0f} MB", where=str(path), cure=COPY_AGAIN
        )
    return total


def open_bytes(path: Path) -> BufferedReader:
    """Open a file for reading, or say why not."""
    try:
        return path.open("rb")
    except OSError as err:
        raise RecordingError(f"cannot be read ({err.strerror})", where=str(path)) from err


def truncated(path: Path, *, frame: int | None) -> RecordingError:
    """Return the error for a file that ends before its frames do."""
    at = "" if frame is None else f" at frame {frame}"
    return RecordingError(f"ends early{at}", where=str(path), cure=COPY_AGAIN)
