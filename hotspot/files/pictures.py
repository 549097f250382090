"""Folders of numbered PNG or TIFF pictures, one frame each."""

from __future__ import annotations

import io
import re
import struct
import zlib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.errors import RecordingError
from hotspot.files.containers import COPY_AGAIN, describe, frame_bytes
from hotspot.files.tiffs import open_tiff

# PNG (ISO/IEC 15948) colour type of grey without alpha.
_GREY_COLOUR_TYPE = 0
# Whatever the kind of damage, Pillow answers with one of these.
_DAMAGE = (OSError, ValueError, SyntaxError, EOFError, MemoryError, TypeError, struct.error,
           zlib.error)  # fmt: skip
THREADS = 2  # a bench laptop has two cores; decoding runs in part outside the interpreter's lock
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
        with ThreadPoolExecutor(THREADS) as pool:
            for first in range(0, len(self.files), size):
                yield np.stack(list(pool.map(self._load, self.files[first : first + size])))

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


def open_pictures(path: Path, *, shape: tuple[int, int] | None = None) -> PictureSource:
    """Open a folder of numbered PNG or TIFF pictures, in natural order (2 before 10).

    Parameters
    ----------
    path
        The folder.
    shape
        (rows, cols) that the first picture must have, looked at before it is decoded; None: any.

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
    first = load_picture(files[0], expected=shape)
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
        if expected is not None and source.shape[:2] != expected[:2]:
            raise _other_size(path, source.shape, expected)
        if len(source) != 1:
            raise RecordingError(
                f"holds {len(source)} pages", where=str(path), cure="One picture a file is expected"
            )
        page: NDArray[Any] = next(iter(source.chunks(1)))[0]
        return page.astype(page.dtype.newbyteorder("="), copy=False)
    return _load_png(path, expected=expected)


def _load_png(path: Path, *, expected: tuple[int, ...] | None) -> NDArray[Any]:
    from PIL import Image

    try:
        data = path.read_bytes()
    except OSError as err:
        raise RecordingError(f"cannot be read ({err.strerror})", where=str(path)) from err
    if data[:8] != b"\x89PNG\r\n\x1a\n" or len(data) < 33:
        raise RecordingError("is not a PNG picture", where=str(path), cure=COPY_AGAIN)
    width, height, depth, colour = struct.unpack(">IIBB", data[16:26])
    if expected is not None and (height, width) != expected[:2]:
        raise _other_size(path, (height, width), expected)
    frame_bytes((height, width), np.dtype(np.uint64), path)
    if depth == 16 and colour != _GREY_COLOUR_TYPE:
        raise RecordingError(
            "is 16-bit colour, which would lose bits", where=str(path), cure="Save 16-bit grey"
        )
    try:
        with Image.open(io.BytesIO(data), formats=("PNG",)) as picture:
            grey = picture.mode if picture.mode in ("L", "I;16", "I;16B", "I") else None
            pixels = np.asarray(picture if grey else picture.convert("RGB"))
    except _DAMAGE as err:
        raise RecordingError("cannot be decoded", where=str(path), cure=COPY_AGAIN) from err
    return pixels.astype(np.uint16) if depth == 16 else pixels.astype(np.uint8)


def _other_size(path: Path, found: tuple[int, ...], expected: tuple[int, ...]) -> RecordingError:
    return RecordingError(
        f"is {found[1]} x {found[0]} px, {expected[1]} x {expected[0]} are expected",
        where=str(path),
        cure="Correct width and height in recording.toml, or remove pictures that do not belong",
    )


def _natural(path: Path) -> list[tuple[int, int, str]]:
    parts = re.split(r"(\d+)", path.stem)
    return [(1, int(p[:400]), p) if p.isdecimal() else (0, 0, p.casefold()) for p in parts]
