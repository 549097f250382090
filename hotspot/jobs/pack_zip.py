"""A board pack as one ZIP file: saved from the page for another bench, and taken from an upload."""

from __future__ import annotations

import io
import tempfile
import zipfile
import zlib
from pathlib import Path, PurePosixPath

from hotspot.board import Board
from hotspot.errors import BoardError
from hotspot.files.boards import load_board, save_board
from hotspot.files.photos import MOST_BYTES, check_photo
from hotspot.jobs.board_pack import keep_board
from hotspot.store.jobs import JobStore

# What a pack consists of; nothing else in an archive is ever written to the disk.
_PHOTOS = ("photo.png", "photo.jpg", "photo.jpeg")
_FILES = ("board.toml", "parts.csv", "photo_landmarks.csv", *_PHOTOS)
_WHERE = "board pack"
# A pack is six files; an archive of a project folder some thousands. Each entry costs memory before
# one of them is opened: 26 MB of empty ones took six seconds and 100 MB.
_MOST_ENTRIES = 20_000
_ENTRY = b"PK\x01\x02"  # begins each entry of the directory (ZIP application note, 4.3.12)


def build_pack_zip(board: Board) -> bytes:
    """Return a board pack, photo included, as a ZIP file."""
    buffer = io.BytesIO()
    with tempfile.TemporaryDirectory(prefix="hotspot-") as scratch:
        folder = Path(scratch) / "board"
        save_board(board, folder)
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
            for path in sorted(folder.iterdir()):
                archive.write(path, f"board/{path.name}")
    return buffer.getvalue()


def adopt_zip(store: JobStore, job_id: int, data: bytes) -> Board:
    """Keep an uploaded board pack with a job.

    Raises
    ------
    hotspot.errors.HotspotError
        If it is no ZIP file with a usable pack in it, or too large.
    """
    with tempfile.TemporaryDirectory(prefix="hotspot-") as scratch:
        folder = Path(scratch)
        try:
            _unpack(data, folder)
            board = load_board(folder)
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as err:
            raise BoardError(
                "is no ZIP file that can be read", where=_WHERE, cure="Save it again"
            ) from err
        except BoardError as err:
            # The file's own name, not that of a scratch folder.
            raise BoardError(err.what, where=_to_name(err.where), cure=err.cure) from err
        keep_board(store, job_id, board)
    return board


def _unpack(data: bytes, folder: Path) -> None:
    if data.count(_ENTRY) > _MOST_ENTRIES:
        raise BoardError("holds too many files", where=_WHERE, cure="Zip the pack's folder alone")
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = {m.filename: m for m in archive.infolist() if not m.is_dir()}
        tops = [PurePosixPath(n) for n in members if PurePosixPath(n).name == "board.toml"]
        if not tops:
            cure = "Zip the folder that holds board.toml"
            raise BoardError("holds no board.toml", where=_WHERE, cure=cure)
        top = min(tops, key=lambda p: len(p.parts)).parent
        for name in _FILES:
            member = members.get(str(top / name))
            if member is None:
                continue
            with archive.open(member) as file:
                content = file.read(MOST_BYTES + 1)  # the size that the archive claims may be a lie
            if len(content) > MOST_BYTES:
                raise BoardError("is too large", where=name, cure="Save it smaller")
            if name in _PHOTOS:
                check_photo(content)
            (folder / name).write_bytes(content)


def _to_name(where: str) -> str:
    name, comma, rest = where.partition(",")
    path = Path(name)
    return f"{path.name if path.name in _FILES else _WHERE}{comma}{rest}"
