"""Frames as the camera profile promises them, whatever the container: the reader's last step."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from hotspot.errors import RecordingError
from hotspot.files.containers import COPY_AGAIN, BlockSource, describe
from hotspot.profile import CameraProfile, Values
from hotspot.radiometry import to_raw_plane

# Frames that are read at a time: fewer of large ones.
MAX_CHUNK_BYTES = 128 << 20


class Container(Protocol):
    """What every open container gives."""

    path: Path
    shape: tuple[int, ...]
    dtype: np.dtype[Any]

    def __len__(self) -> int:
        """Return the number of frames."""

    def chunks(self, size: int = 64) -> Iterator[NDArray[Any]]:
        """Yield frames in order."""


class CheckedSource:
    """Frames of a recording in the raw type the profile promises, native byte order.

    A container's frames are cut to the raw plane, wider numbers are brought to float32, infinite
    values become NaN, and a container that gives fewer frames than it promised is an error.

    Parameters
    ----------
    container
        The open container.
    profile
        The camera.
    keep
        (n,) bool: which of the container's frames belong to the recording.

    Raises
    ------
    RecordingError
        The container's frames do not fit the profile.
    """

    def __init__(
        self, container: Container, *, profile: CameraProfile, keep: NDArray[np.bool_]
    ) -> None:
        self.container = container
        self.keep = keep
        fits = container.shape in (profile.shape, (*profile.shape, 3))
        self._plane = None if fits else profile.raw_plane
        sample = np.zeros((1, *container.shape), dtype=container.dtype)
        where = str(container.path)
        try:
            self.shape, self.dtype = self._fitted(sample, where=where)
        except ValueError as err:
            raise RecordingError(
                f"[camera] raw_plane does not fit the frames: {err}", where=where, cure="Correct it"
            ) from err
        check_fit(self.shape, self.dtype, profile=profile, where=where)

    def __len__(self) -> int:
        """Return the number of frames."""
        return int(np.count_nonzero(self.keep))

    def chunks(self, size: int = 64) -> Iterator[NDArray[Any]]:
        """Yield arrays (n, rows, cols[, 3]) of at most `size` frames, in order.

        Raises
        ------
        RecordingError
            The file ends early, cannot be decoded, or a frame holds no number at all.
        """
        if size < 1:
            raise ValueError(f"size must be >= 1, got {size!r}")
        one = int(np.prod(self.container.shape)) * self.container.dtype.itemsize
        size = min(size, max(1, MAX_CHUNK_BYTES // one))
        seen = 0
        last = int(np.flatnonzero(self.keep)[-1]) + 1 if self.keep.any() else 0
        for block in self.container.chunks(size):
            keep = self.keep[seen : seen + len(block)]
            first, seen = seen, seen + len(block)
            chosen = block[: len(keep)] if keep.all() else block[: len(keep)][keep]
            if len(chosen):
                yield self._prepared(chosen, first=first)
            if seen >= last:
                return
        if seen < last:
            raise RecordingError(
                f"gives {seen} of {last} frames", where=str(self.container.path), cure=COPY_AGAIN
            )

    def _prepared(self, block: NDArray[Any], *, first: int) -> NDArray[Any]:
        frames = block if self._plane is None else to_raw_plane(block, self._plane)
        if frames.dtype != self.dtype:
            frames = frames.astype(self.dtype)
        if frames.dtype.kind != "f":
            return frames
        finite = np.isfinite(frames)
        if finite.all():
            return frames
        empty = np.flatnonzero(~finite.reshape(len(frames), -1).any(axis=1))
        if empty.size:
            raise RecordingError(
                f"frame {first + int(empty[0])} holds no number, only NaN",
                where=str(self.container.path),
                cure="Export the recording again from the camera's program",
            )
        # NaN stays where it is (the pixel is masked later); infinity is no temperature either.
        return np.where(finite, frames, np.float32(np.nan))

    def _fitted(self, sample: NDArray[Any], *, where: str) -> tuple[tuple[int, ...], np.dtype[Any]]:
        plane = sample if self._plane is None else to_raw_plane(sample, self._plane)
        dtype = plane.dtype.newbyteorder("=")
        if dtype.kind in "iu" and dtype not in (np.uint8, np.uint16):
            if dtype.itemsize > 2 and dtype.kind + str(dtype.itemsize) not in ("i4", "u4"):
                raise RecordingError(
                    f"holds {dtype.name}", where=where, cure="Save as uint16 or float32"
                )
            dtype = np.dtype(np.float32)  # exact up to 2**24, more than any camera counts
        elif dtype.kind == "f" and dtype != np.float32:
            dtype = np.dtype(np.float32)
        return tuple(int(n) for n in plane.shape[1:]), dtype


def find_empty(container: Container) -> NDArray[np.bool_]:
    """Return (n,) bool: frames of floats that hold no number, only NaN or infinity."""
    if container.dtype.kind != "f":
        return np.zeros(len(container), dtype=np.bool_)
    if isinstance(container, BlockSource):
        return container.find_empty()
    empty = [
        ~np.isfinite(block).reshape(len(block), -1).any(axis=1) for block in container.chunks()
    ]
    found = np.concatenate([*empty, np.zeros(len(container), dtype=np.bool_)])
    return found[: len(container)]


def check_fit(
    shape: tuple[int, ...], dtype: np.dtype[Any], *, profile: CameraProfile, where: str
) -> None:
    """Check that frames of this shape and type can be what the profile says.

    Raises
    ------
    RecordingError
        Says what is there, what was promised, and what to change.
    """
    rows, cols = profile.shape
    found = describe(shape, dtype)
    if shape[:2] != (rows, cols) or len(shape) not in (2, 3) or shape[2:] not in ((), (3,)):
        raise RecordingError(
            f"frames are {found}, [camera] says {cols} x {rows}",
            where=where,
            cure="Correct width and height in recording.toml, or use the frames of this camera",
        )
    eight_bit = dtype == np.uint8
    if profile.values in (Values.GREY8, Values.PALETTE8):
        if not eight_bit:
            raise RecordingError(
                f'frames are {found}, but values = "{profile.values}" means 8-bit display video',
                where=where,
                cure='Set values = "counts" or "celsius" in recording.toml',
            )
        return
    if len(shape) == 3 or eight_bit:
        raise RecordingError(
            f'frames are {found}, but values = "{profile.values}" needs 16-bit or float frames',
            where=where,
            cure='Record raw values, or set values = "grey8" or "palette8" for display video',
        )
    if profile.values is Values.CELSIUS and dtype.kind != "f":
        raise RecordingError(
            f'frames are {found}, but values = "celsius" needs float frames',
            where=where,
            cure='Set values = "counts" with scale and offset',
        )
    if dtype.kind not in "uf":
        raise RecordingError(f"frames are {found}", where=where, cure="Save as uint16 or float32")
