"""Bring kept folders (a recording, a board pack) back onto the disk, checked by their hashes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from hotspot.errors import StoreError
from hotspot.store.blobs import Blobs
from hotspot.store.entries import Attachment


@dataclass(frozen=True, slots=True)
class KeptFolder:
    """Files of a store that belong into one folder; can be sent to another process.

    Attributes
    ----------
    blobs_url
        Where the files are.
    files
        (path within the folder, SHA-256) pairs.
    """

    blobs_url: str
    files: tuple[tuple[str, str], ...]

    def unpack(self, folder: Path) -> Path:
        """Write the files into `folder` and return it.

        Raises
        ------
        hotspot.errors.StoreError
            If a file is missing or altered, or its name leads out of the folder.
        """
        blobs = Blobs(self.blobs_url)
        folder.mkdir(parents=True, exist_ok=True)
        for name, digest in self.files:
            blobs.copy_to(digest, folder / safe_name(name))
        return folder


def safe_name(name: str) -> str:
    """Return a relative path that stays within its folder.

    Raises
    ------
    hotspot.errors.StoreError
        If it does not.
    """
    path = PurePosixPath(name.replace("\\", "/"))
    if path.is_absolute() or ".." in path.parts or not path.parts or ":" in path.parts[0]:
        raise StoreError("leads out of its folder", where=name, cure="Rename the file")
    return path.as_posix()


def kept_folder(blobs: Blobs, files: Iterable[Attachment], *, kind: str) -> KeptFolder | None:
    """Return the files of one kind as a folder, the newest of each name; None without any.

    A board pack kept later replaces the whole of an earlier one: photo and landmarks of that one
    would not fit it.
    """
    newest = {f.name: f.sha256 for f in _last_pack([f for f in files if f.kind == kind])}
    return KeptFolder(blobs.url, tuple(sorted(newest.items()))) if newest else None


def _last_pack(files: list[Attachment]) -> list[Attachment]:
    """Return the files from the last whole pack on; a pack is kept in the order of its names."""
    names = [f.name for f in files]
    for start in range(len(files) - 1, -1, -1):
        if names[start] == "board.toml" and "parts.csv" in names[start + 1 :]:
            return files[start:]
    return files
