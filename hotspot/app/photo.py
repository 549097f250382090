"""The board photo, small enough for the page, with the size its coordinates count in."""

from __future__ import annotations

import functools
import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from hotspot.board import Board
from hotspot.errors import BoardError
from hotspot.evidence.photos import DAMAGE, MOST_PIXELS, load_pixels

LONGEST_PX = 1800


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo for the page.

    Attributes
    ----------
    data
        JPEG or PNG, its longest side at most `LONGEST_PX`.
    size
        (columns, rows) of the photo itself.
    path
        The photo itself.
    """

    data: bytes
    size: tuple[int, int]
    path: Path

    def rgb(self) -> NDArray[np.uint8]:
        """Return (rows, cols, 3) uint8 of the photo itself."""
        return load_pixels(self.path, where="photo")


def load_photo(board: Board) -> Photo | None:
    """Return the photo of a board, None without one.

    Raises
    ------
    BoardError
        If it cannot be read.
    """
    if board.photo is None:
        return None
    return _load(board.photo, board.photo.stat().st_mtime_ns)


@functools.lru_cache(maxsize=4)
def _load(path: Path, _changed: int) -> Photo:
    try:
        with Image.open(path, formats=("PNG", "JPEG")) as image:
            size = image.size
            if size[0] * size[1] > MOST_PIXELS:
                raise BoardError("is too large", where="photo", cure="Save it smaller")
            if max(size) <= LONGEST_PX:
                return Photo(path.read_bytes(), size, path)
            small = image.convert("RGB")
            small.thumbnail((LONGEST_PX, LONGEST_PX))
    except DAMAGE as err:
        raise BoardError("cannot be read", where="photo", cure="Give it again") from err
    buffer = io.BytesIO()
    small.save(buffer, "JPEG", quality=88)
    return Photo(buffer.getvalue(), size, path)
