"""Files kept with the jobs, named by their SHA-256, in a folder or an object store.

A file is written completely before the job that refers to it, and never changed afterwards; the
same content is kept once.
"""

from __future__ import annotations

import hashlib
import os
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

from hotspot.errors import StoreError

_PIECE = 1 << 20


def measure_sha256(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


class Blobs:
    """The files, by content.

    Parameters
    ----------
    url
        A folder, or any address that fsspec opens (``s3://bucket/folder``); the folder may be
        shared between benches.
    """

    def __init__(self, url: str) -> None:
        import fsspec

        self.url = url
        try:
            self._fs, root = fsspec.core.url_to_fs(url)
        except (ImportError, ValueError, OSError) as err:
            raise StoreError(
                f"cannot be used for files: {err}",
                where=url,
                cure="Give a folder, or install the fsspec driver for this address",
            ) from err
        self._root = str(root).rstrip("/")
        self._local = Path(self._root) if _is_local(self._fs) else None

    def put(self, path: Path) -> tuple[str, int]:
        """Keep a file; return its SHA-256 and size. Safe on disk when this returns.

        Raises
        ------
        hotspot.errors.StoreError
            If it cannot be read or the store of files cannot be written.
        """
        try:
            digest, size = measure_sha256(path), path.stat().st_size
        except OSError as err:
            raise StoreError(f"cannot be read: {err.strerror}", where=str(path)) from err
        try:
            if self._size(digest) != size:
                with path.open("rb") as source:
                    self._write(source, digest)
        except OSError as err:
            raise StoreError(
                f"cannot keep {path.name}: {err.strerror or err}",
                where=self.url,
                cure="Check that the folder for files is there and has room",
            ) from err
        return digest, size

    def pieces(self, digest: str) -> Iterator[bytes]:
        """Yield the content; the hash is checked at the end.

        Raises
        ------
        hotspot.errors.StoreError
            If the file is missing or altered.
        """
        check = hashlib.sha256()
        try:
            with self._fs.open(self._name(digest), "rb") as stream:
                while piece := stream.read(_PIECE):
                    check.update(piece)
                    yield piece
        except OSError as err:
            raise StoreError(
                f"file {digest[:12]}… is missing", where=self.url, cure="Restore it from a backup"
            ) from err
        if check.hexdigest() != digest:
            raise StoreError(
                f"file {digest[:12]}… has been altered",
                where=self.url,
                cure="Restore it from a backup",
            )

    def read(self, digest: str) -> bytes:
        """Return the content, checked."""
        return b"".join(self.pieces(digest))

    def copy_to(self, digest: str, path: Path) -> None:
        """Write the content to `path`, checked."""
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("wb") as out:
            for piece in self.pieces(digest):
                out.write(piece)

    def problem(self, digest: str, size: int) -> str:
        """Return what is wrong with a kept file, an empty string if nothing."""
        found = self._size(digest)
        if found is None:
            return "is missing"
        if found != size:
            return f"has {found} bytes instead of {size}"
        try:
            for _ in self.pieces(digest):
                pass
        except StoreError as error:
            return error.what.split("… ", 1)[-1]
        return ""

    def _name(self, digest: str) -> str:
        return f"{self._root}/{digest[:2]}/{digest}"

    def _size(self, digest: str) -> int | None:
        try:
            return int(self._fs.size(self._name(digest)))
        except FileNotFoundError:
            return None

    def _write(self, source: BinaryIO, digest: str) -> None:
        name = self._name(digest)
        if self._local is None:
            # Object stores make an object visible only when it is complete.
            with self._fs.open(name, "wb") as out:
                _pump(source, out)
            return
        target = Path(name)
        target.parent.mkdir(parents=True, exist_ok=True)
        partial = target.with_name(f"{digest}.{uuid.uuid4().hex}.part")
        try:
            with partial.open("wb") as out:
                _pump(source, out)
                out.flush()
                os.fsync(out.fileno())
            partial.replace(target)
            _sync_folder(target.parent)
        finally:
            partial.unlink(missing_ok=True)


def _pump(source: BinaryIO, out: Any) -> None:
    while piece := source.read(_PIECE):
        out.write(piece)


def _sync_folder(folder: Path) -> None:
    """Make the new name itself durable; Windows has no such call and does not need it."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _is_local(fs: Any) -> bool:
    protocol = fs.protocol if isinstance(fs.protocol, str) else next(iter(fs.protocol))
    return bool(protocol in ("file", "local"))
