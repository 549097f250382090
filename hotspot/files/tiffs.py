"""TIFF stacks: a page a frame, contiguous volumes, BigTIFF, compressed."""

from __future__ import annotations

import itertools
import logging
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.errors import RecordingError
from hotspot.files.containers import COPY_AGAIN, MAX_FRAME_BYTES, BlockSource, describe

# TIFF tag 259: none, LZW, Deflate (two numbers), PackBits, Zstandard; all without loss.
_UNCOMPRESSED = 1
_LOSSLESS = (1, 5, 8, 32946, 32773, 50000)
# Whatever the kind of damage, tifffile answers with one of these.
_DAMAGE = (ValueError, OSError, IndexError, KeyError, TypeError, RuntimeError, ArithmeticError,
           AttributeError, AssertionError, MemoryError, EOFError, zlib.error,
           struct.error)  # fmt: skip
# A compressed page is never much larger than its pixels; a larger one is damage or an attack.
_COMPRESSED_SLACK_BYTES = 4096


class TiffSource:
    """Frames of a compressed TIFF stack, decoded page by page."""

    def __init__(
        self,
        path: Path,
        *,
        n_pages: int,
        shape: tuple[int, ...],
        dtype: np.dtype[Any],
    ) -> None:
        self.path = path
        self.shape = shape
        self.dtype = dtype
        self._n_pages = n_pages

    def __len__(self) -> int:
        """Return the number of frames."""
        return self._n_pages

    def chunks(self, size: int = 64) -> Iterator[NDArray[Any]]:
        """Yield arrays of at most `size` frames, in order."""
        block: list[NDArray[Any]] = []
        for k, page in enumerate(self._pages()):
            if page.shape != self.shape or page.dtype.newbyteorder("=") != self.dtype.newbyteorder(
                "="
            ):
                raise RecordingError(
                    f"page {k + 1} is {describe(page.shape, page.dtype)}, the first is "
                    f"{describe(self.shape, self.dtype)}",
                    where=str(self.path),
                    cure=COPY_AGAIN,
                )
            block.append(page)
            if len(block) == size:
                yield np.stack(block)
                block = []
        if block:
            yield np.stack(block)

    def _pages(self) -> Iterator[NDArray[Any]]:
        import tifffile

        with tifffile.TiffFile(self.path) as tif:
            for k in range(self._n_pages):
                try:
                    page = tif.pages[k].asarray()
                except _DAMAGE as err:
                    raise _undecodable(self.path, k) from err
                yield page


def open_tiff(path: Path) -> BlockSource | TiffSource:
    """Open a TIFF stack.

    Uncompressed stacks, page by page or contiguous, are read with plain reads; pages whose pixels
    lie beyond the end of the file are left out.

    Raises
    ------
    RecordingError
        Not a TIFF file, pages of several sizes, or a compression that is not supported.
    """
    import tifffile

    logging.getLogger("tifffile").setLevel(logging.CRITICAL)  # damage is told once, by us
    try:
        size_bytes = path.stat().st_size
        if has_ring(path):
            raise RecordingError("its pages form a ring", where=str(path), cure=COPY_AGAIN)
        with tifffile.TiffFile(path) as tif:
            return _open(path, tif, size_bytes)
    except _DAMAGE as err:
        raise RecordingError(
            "is not a readable TIFF file", where=str(path), cure=COPY_AGAIN
        ) from err


def has_ring(path: Path) -> bool:
    """Return whether the chain of pages leads back into itself; readers follow it for ever.

    TIFF 6.0 section 2: each directory of 12-byte entries ends with the place of the next; BigTIFF
    has 8-byte counts and places and 20-byte entries.
    """
    with path.open("rb") as file:
        head = file.read(16)
        order = {b"II": "<", b"MM": ">"}.get(head[:2])
        if order is None or len(head) < 16:
            return False
        big = struct.unpack(order + "H", head[2:4])[0] == 43
        count, entry, place = ("Q", 20, "Q") if big else ("H", 12, "I")
        at = struct.unpack(order + place, head[8:16] if big else head[4:8])[0]
        seen: set[int] = set()
        while at:
            if at in seen:
                return True
            seen.add(at)
            try:
                file.seek(at)
                (n,) = struct.unpack(order + count, file.read(struct.calcsize(order + count)))
                file.seek(n * entry, 1)
                (at,) = struct.unpack(order + place, file.read(struct.calcsize(order + place)))
            except (struct.error, OSError, OverflowError, ValueError):
                return False  # it ends here, which is no ring
    return False


def _open(path: Path, tif: Any, size_bytes: int) -> BlockSource | TiffSource:
    first = tif.pages[0]
    if first.samplesperpixel not in (1, 3) or first.planarconfig != 1:
        raise RecordingError(
            f"has {first.samplesperpixel} channels", where=str(path), cure="Save grey or RGB"
        )
    shape = tuple(int(n) for n in first.shape)
    volume = _contiguous_volume(path, tif, size_bytes)
    if volume is not None:
        return volume
    if len(shape) not in (2, 3) or (len(shape) == 3 and shape[2] != 3):
        raise RecordingError(f"has pages of shape {shape}", where=str(path), cure="Save 2-D pages")
    dtype = np.dtype(first.dtype).newbyteorder(tif.byteorder)
    frame_bytes = int(np.prod(shape, dtype=np.int64)) * dtype.itemsize
    if not 0 < frame_bytes <= MAX_FRAME_BYTES:
        raise RecordingError(
            f"declares pages of {frame_bytes / 2**20:.0f} MB", where=str(path), cure=COPY_AGAIN
        )
    places, compression = [], int(first.compression)
    plain = compression == _UNCOMPRESSED and first.bitspersample == 8 * dtype.itemsize
    n_pages = 0
    for k, page in enumerate(_whole_pages(tif)):
        if page.shape != first.shape or page.dtype != first.dtype:
            if isinstance(page.shape, tuple) and page.shape[:2] != first.shape[:2]:
                raise RecordingError(
                    f"page {k + 1} is {describe(page.shape, np.dtype(page.dtype))}, the first is "
                    f"{describe(shape, dtype)}",
                    where=str(path),
                    cure="Keep one size of frames in the stack",
                )
            plain = False
        offsets, counts = page.dataoffsets, page.databytecounts
        if sum(counts) > frame_bytes + _COMPRESSED_SLACK_BYTES * len(counts):
            raise RecordingError(f"page {k + 1} is damaged", where=str(path), cure=COPY_AGAIN)
        if any(o + c > size_bytes for o, c in zip(offsets, counts, strict=True)):
            break  # the file ends before this page's pixels do
        whole = all(a + n == b for a, n, b in zip(offsets, counts, offsets[1:], strict=False))
        plain = plain and whole and sum(counts) == frame_bytes and not page.is_tiled
        places.append(offsets[0] if offsets else 0)
        n_pages += 1
    if plain:
        block = np.asarray(places, dtype=np.int64)
        return BlockSource(path, places=block, shape=shape, dtype=dtype)
    if compression not in _LOSSLESS:
        raise RecordingError(
            f"uses TIFF compression {first.compression}",
            where=str(path),
            cure="Save it uncompressed or with Deflate",
        )
    return TiffSource(path, n_pages=n_pages, shape=shape, dtype=dtype.newbyteorder("="))


def _whole_pages(tif: Any) -> Iterator[Any]:
    """Yield the pages up to the first that is not whole: a full disk or a power cut leaves one."""
    pages = iter(tif.pages)
    for k in itertools.count():
        try:
            page = next(pages, None)
            broken = page is not None and (page.shape == () or not page.dataoffsets)
        except _DAMAGE:
            if k == 0:
                raise
            return
        if page is None or (broken and k > 0):
            return
        yield page


def _contiguous_volume(path: Path, tif: Any, size_bytes: int) -> BlockSource | None:
    """Return the frames of a volume written in one piece under a single page, or None."""
    series = tif.series[0] if len(tif.series) else None
    if series is None or series.dataoffset is None or len(series.shape) < 3:
        return None
    if len(tif.pages) > 1 and len(series) == 1:
        return None
    shape = tuple(int(n) for n in series.shape)
    colour = 1 if shape[-1] == 3 and "S" in series.axes else 0
    frame_shape = shape[-2 - colour :]
    dtype = np.dtype(series.dtype).newbyteorder(tif.byteorder)
    frame_bytes = int(np.prod(frame_shape, dtype=np.int64)) * dtype.itemsize
    if not 0 < frame_bytes <= MAX_FRAME_BYTES:
        return None
    declared = int(np.prod(shape, dtype=np.int64)) // int(np.prod(frame_shape, dtype=np.int64))
    n = min(declared, max(0, size_bytes - int(series.dataoffset)) // frame_bytes)
    places = int(series.dataoffset) + np.arange(n, dtype=np.int64) * frame_bytes
    return BlockSource(path, places=places, shape=frame_shape, dtype=dtype)


def _undecodable(path: Path, page: int) -> RecordingError:
    return RecordingError(f"page {page + 1} cannot be decoded", where=str(path), cure=COPY_AGAIN)
