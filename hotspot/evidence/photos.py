"""Photos and pictures read from disk or store: as pixels, or refused in one sentence."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError

from hotspot.errors import BoardError, InputError

# A phone's largest photo; 600 MB as RGB. Some kilobytes of PNG can claim any size.
MOST_PIXELS = 200_000_000
# Whatever the kind of damage, Pillow answers with one of these.
DAMAGE = (OSError, UnidentifiedImageError, SyntaxError, ValueError, EOFError, TypeError,
          KeyError, IndexError, AttributeError, OverflowError, MemoryError, RuntimeError,
          struct.error, zlib.error, Image.DecompressionBombError,
          Image.DecompressionBombWarning)  # fmt: skip


def load_pixels(
    source: Path | bytes, *, where: str, most_pixels: int = MOST_PIXELS,
    error: type[InputError] = BoardError,
) -> NDArray[np.uint8]:  # fmt: skip
    """Return a PNG or JPEG as (rows, cols, 3) uint8 RGB; its size is looked at before decoding.

    Parameters
    ----------
    source
        File, or the bytes of one.
    where
        For messages.
    most_pixels
        A larger picture is refused.
    error
        The kind of error to raise.

    Raises
    ------
    InputError
        The given child: not such a picture, damaged, or too large.
    """
    try:
        opened = io.BytesIO(source) if isinstance(source, bytes) else source
        with Image.open(opened, formats=("PNG", "JPEG")) as picture:
            if picture.width * picture.height > most_pixels:
                raise error(
                    f"has {picture.width} × {picture.height} pixels",
                    where=where,
                    cure=f"Save it with at most {most_pixels // 1_000_000} million pixels",
                )
            return np.asarray(picture.convert("RGB"))
    except DAMAGE as err:
        raise error(
            "is not a readable PNG or JPEG", where=where, cure="Save it again as PNG or JPEG"
        ) from err
