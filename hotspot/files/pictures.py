"""Folders of numbered PNG or TIFF pictures, one frame each."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.errors import RecordingError
from hotspot.files.containers import COPY_AGAIN, describe, frame_bytes
from hotspot.files.tiffs import open_tiff

PICTURE_SUFFIXES = (".png", ".tif", ".tiff")


class PictureSource:
    """A folder of numbered pictures, one frame each."""

    def __init__(
        self, path: Path, files: list[Path], *, shape: tuple[int, ...], dtype: np.dtype[Any]
    ) -> None:
        self.path = path
        self.files = files
        self.shape = shape
        self.dtype = dtype

    def __len__(self) -> int:
        """Return the number of frames."""
        return len(self.files)

    def chunks(self, size: int = 64) -> Iterator[NDArray[Any]]:
        """Yield arrays of at most `size` frames, in order."""
        for first in range(0, len(self.files), size):
            yield np.stack([self._load(path) for path in self.files[first : first + size]])

    def _load(self, path: Path) -> NDArray[Any]:
        picture = load_picture(path, expected=self.shape)
        if picture.shape != self.shape or picture.dtype != self.dtype:
            raise RecordingError(
                f"is {describe(picture.shape, picture.dtype)}, the first picture is "
                f"{describe(self.shape, self.dtype)}",
                where=str(path),
                cure="Remove pictures that do not belong to the recording",
            )
        return picture


def open_pictures(path: Path) -> PictureSource:
    """Open a folder of numbered PNG or TIFF pictures, in natural order (2 before 10).

    Raises
    ------
    RecordingError
        No pictures, or two kinds of them.
    """
    files = sorted(
        (p for p in path.iterdir() if p.suffix.lower() in PICTURE_SUFFIXES and p.name[0] != "."),
        key=_natural,
    )
    if not files:
        raise RecordingError(
            "holds no PNG or TIFF pictures", where=str(path), cure="Check the recording folder"
        )
    if len({".png" if p.suffix.lower() == ".png" else ".tif" for p in files}) > 1:
        raise RecordingError(
            "holds PNG and TIFF pictures side by side",
            where=str(path),
            cure="Keep those that belong to the recording",
        )
    first = load_picture(files[0], expected=None)
    return PictureSource(path, files, shape=first.shape, dtype=first.dtype)


def load_picture(path: Path, *, expected: tuple[int, ...] | None) -> NDArray[Any]:
    """Return one picture: (rows, cols) or (rows, cols, 3) RGB, as deep as stored.

    Raises
    ------
    RecordingError
        Unreadable, or not of the `expected` size.
    """
    if path.suffix.lower() != ".png":
        source = open_tiff(path)
        if len(source) != 1:
            raise RecordingError(
                f"holds {len(source)} pages", where=str(path), cure="One picture a file is expected"
            )
        page: NDArray[Any] = next(iter(source.chunks(1)))[0]
        return page.astype(page.dtype.newbyteorder("="), copy=False)
    return _load_png(path, expected=expected)


def _load_png(path: Path, *, expected: tuple[int, ...] | None) -> NDArray[Any]:
    import cv2

    try:
        data = path.read_bytes()
    except OSError as err:
        raise RecordingError(f"cannot be read ({err.strerror})", where=str(path)) from err
    if data[:8] != b"\x89PNG\r\n\x1a\n" or len(data) < 33:
        raise RecordingError("is not a PNG picture", where=str(path), cure=COPY_AGAIN)
    width, height = struct.unpack(">II", data[16:24])
    if expected is not None and (height, width) != expected[:2]:
        raise RecordingError(
            f"is {width} x {height} px, the first picture is {expected[1]} x {expected[0]}",
            where=str(path),
            cure="Remove pictures that do not belong to the recording",
        )
    frame_bytes((height, width), np.dtype(np.uint64), path)
    # A picture cut short decodes to grey rows without a word; its end mark tells.
    if b"IEND" not in data[-16:]:
        raise RecordingError("is cut short", where=str(path), cure=COPY_AGAIN)
    try:
        picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error as err:
        raise RecordingError("cannot be decoded", where=str(path), cure=COPY_AGAIN) from err
    if picture is None:
        raise RecordingError("cannot be decoded", where=str(path), cure=COPY_AGAIN)
    if picture.ndim == 3:
        picture = picture[:, :, :3][:, :, ::-1]
    return np.ascontiguousarray(picture)


def _natural(path: Path) -> list[tuple[int, int, str]]:
    parts = re.split(r"(\d+)", path.stem)
    return [(1, int(p[:400]), p) if p.isdecimal() else (0, 0, p.casefold()) for p in parts]
