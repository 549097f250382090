"""Containers that grow frame by frame and open again after a crash."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

TIME_BASE = Fraction(1, 1000)  # Matroska's own; exact times are in frames.csv


class FrameFile(Protocol):
    """A container that takes one frame after the other."""

    def write(self, frame: NDArray[Any], t_s: float) -> None:
        """Append a frame taken at `t_s`."""

    def close(self) -> None:
        """Write what is still held back and close the file."""


class FFV1File:
    """FFV1 in Matroska; RGB frames as bgr0, which FFV1 keeps without loss."""

    def __init__(self, path: Path, frame: NDArray[Any]) -> None:
        import av

        formats = {("uint16", 2): "gray16le", ("uint8", 2): "gray", ("uint8", 3): "rgb24"}
        key = (frame.dtype.name, frame.ndim)
        if key not in formats:
            raise ValueError(f"frame must be uint16 or uint8 for mkv, got {key[0]}")
        self._format = formats[key]
        with _as_os_error():
            self._output = av.open(
                f"file:{path}",
                "w",
                format="matroska",
                # Small frames are held back until a cluster is full: not for long.
                container_options={"cluster_time_limit": "200", "flush_packets": "1"},
            )
        options = {"level": "3", "slicecrc": "1", "slices": "4", "g": "1"}
        self._stream = self._output.add_stream("ffv1", rate=25, options=options)
        self._stream.height, self._stream.width = frame.shape[:2]
        self._stream.pix_fmt = "bgr0" if self._format == "rgb24" else self._format
        self._stream.time_base = TIME_BASE
        self._shape, self._dtype = frame.shape, frame.dtype
        self._pts = -1

    def write(self, frame: NDArray[Any], t_s: float) -> None:
        """Append a frame."""
        import av

        if frame.shape != self._shape or frame.dtype != self._dtype:
            raise ValueError(f"frame must be {self._shape} {self._dtype}, got {frame.shape}")
        picture = av.VideoFrame.from_ndarray(np.ascontiguousarray(frame), format=self._format)
        self._pts = max(self._pts + 1, round(t_s / float(TIME_BASE)))
        picture.pts, picture.time_base = self._pts, TIME_BASE
        with _as_os_error():
            for packet in self._stream.encode(picture):
                self._output.mux(packet)

    def close(self) -> None:
        """Flush the encoder and close the file."""
        with _as_os_error():
            try:
                for packet in self._stream.encode(None):
                    self._output.mux(packet)
            finally:
                self._output.close()


@contextmanager
def _as_os_error() -> Iterator[None]:
    """Give FFmpeg's errors (no space, file too large) as the system's own."""
    import av

    try:
        yield
    except av.error.FFmpegError as err:
        if isinstance(err, OSError):
            raise
        number = abs(int(err.errno or errno.EIO))
        raise OSError(number, os.strerror(number)) from err


class TiffFile:
    """BigTIFF, one uncompressed page a frame: a contiguous stack would not survive a crash."""

    def __init__(self, path: Path) -> None:
        import tifffile

        self._output = tifffile.TiffWriter(path, bigtiff=True)

    def write(self, frame: NDArray[Any], t_s: float) -> None:
        """Append a frame."""
        photometric = "rgb" if frame.ndim == 3 else "minisblack"
        self._output.write(frame, photometric=photometric, contiguous=False, metadata=None)

    def close(self) -> None:
        """Close the file."""
        self._output.close()


class NpyFile:
    """NPY format 1.0 with the number of frames brought up to date after every frame.

    The header's layout is that of the NumPy Enhancement Proposal 1: magic, version, length, a
    dictionary literal padded with spaces.
    """

    _HEADER_BYTES = 192

    def __init__(self, path: Path) -> None:
        self._output = path.open("wb")
        self._n_frames = 0

    def write(self, frame: NDArray[Any], t_s: float) -> None:
        """Append a frame."""
        if self._n_frames == 0:
            self._output.write(b" " * self._HEADER_BYTES)
            self._like = (frame.shape, frame.dtype)
        if (frame.shape, frame.dtype) != self._like:
            raise ValueError(f"frame must be {self._like}, got {frame.shape} {frame.dtype}")
        self._output.write(np.ascontiguousarray(frame).data)
        self._n_frames += 1
        text = repr(
            {
                "descr": np.lib.format.dtype_to_descr(frame.dtype),
                "fortran_order": False,
                "shape": (self._n_frames, *frame.shape),
            }
        )
        body = text.ljust(self._HEADER_BYTES - 11).encode("ascii") + b"\n"
        end = self._output.tell()
        self._output.seek(0)
        self._output.write(b"\x93NUMPY\x01\x00" + len(body).to_bytes(2, "little") + body)
        self._output.seek(end)
        self._output.flush()

    def close(self) -> None:
        """Close the file."""
        self._output.close()


def open_frame_file(path: Path, frame: NDArray[Any]) -> FrameFile:
    """Open a container for frames like `frame`, by the suffix of `path`: .mkv, .tif or .npy."""
    if path.suffix == ".mkv":
        return FFV1File(path, frame)
    return TiffFile(path) if path.suffix == ".tif" else NpyFile(path)
