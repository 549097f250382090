"""Markup without endless tags or texts."""

from __future__ import annotations

from typing import BinaryIO

from hotspot.errors import BoardError

MAX_TOKEN_BYTES = 1 << 20


class BoundedTokens:
    """A file without endless tags or texts.

    The parser looks at an unfinished one again with every piece: minutes for one of 30 MB.
    """

    def __init__(self, file: BinaryIO, where: str) -> None:
        self._file = file
        self._where = where
        self._since_end = 0

    def read(self, size: int = -1) -> bytes:
        """Return the next bytes."""
        data = self._file.read(size)
        last = data.rfind(b">")
        self._since_end = len(data) - last - 1 if last >= 0 else self._since_end + len(data)
        if self._since_end > MAX_TOKEN_BYTES:
            raise BoardError(
                "holds a tag or text of more than 1 MB", where=self._where, cure="Check the file"
            )
        return data
