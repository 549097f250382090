"""Board photos as they come from a browser: what they are and whether they can be used."""

from __future__ import annotations

import io
import struct
import zlib

from PIL import Image, UnidentifiedImageError

from hotspot.errors import InputError

MOST_BYTES = 40_000_000
MOST_PIXELS = 100_000_000


def check_photo(data: bytes) -> tuple[str, tuple[int, int]]:
    """Return the kind ("png" or "jpg") and size (width, height) of an uploaded photo.

    Raises
    ------
    InputError
        If it is none, or too large.
    """
    where = "photo"
    if len(data) > MOST_BYTES:
        raise InputError(f"is larger than {MOST_BYTES // 1_000_000} MB", where=where,
                         cure="Save it smaller: 4000 pixels wide are plenty")  # fmt: skip
    try:
        with Image.open(io.BytesIO(data), formats=("PNG", "JPEG")) as image:
            kind, size = image.format, image.size
            if size[0] * size[1] > MOST_PIXELS:
                raise InputError("has too many pixels", where=where, cure="Save it smaller")
            image.verify()
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError, EOFError, TypeError,
            KeyError, IndexError, AttributeError, RuntimeError, MemoryError, struct.error,
            zlib.error, Image.DecompressionBombError) as err:  # fmt: skip
        raise InputError("is no PNG or JPEG that can be read", where=where,
                         cure="Save it again as PNG or JPEG") from err  # fmt: skip
    return ("png" if kind == "PNG" else "jpg"), size
