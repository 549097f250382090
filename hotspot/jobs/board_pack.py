"""The board pack of a job as a folder on disk, photo included."""

from __future__ import annotations

import hashlib
import shutil
import tempfile
from pathlib import Path

from hotspot.board import Board
from hotspot.files.boards import load_board, save_board
from hotspot.jobs.intake import BOARD, keep_folder
from hotspot.jobs.kept import kept_folder
from hotspot.store.entries import JobFile, Phase
from hotspot.store.jobs import JobStore


def open_board(store: JobStore, file: JobFile, *, scratch: Path) -> Board | None:
    """Return the board pack kept with a job; None without one.

    Parameters
    ----------
    store, file
        The job.
    scratch
        Folder for unpacked packs; one is unpacked once, under a name made of its contents.

    Raises
    ------
    hotspot.errors.HotspotError
        If the pack is damaged.
    """
    kept = kept_folder(store.blobs, file.attachments, kind=BOARD) if file.attachments else None
    if kept is None:
        return None
    digest = hashlib.sha256(repr(kept.files).encode()).hexdigest()[:24]
    folder = scratch / digest
    if not folder.is_dir():
        scratch.mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(prefix=".unpacking-", dir=scratch))
        try:
            kept.unpack(made)
            made.rename(folder)
        except FileExistsError:
            pass  # another tab was quicker
        except OSError:
            if not folder.is_dir():
                raise
        finally:
            shutil.rmtree(made, ignore_errors=True)
    return load_board(folder)


def keep_board(store: JobStore, job_id: int, board: Board) -> None:
    """Keep a board pack (photo from where `board` says) with a job; the newest counts.

    Raises
    ------
    hotspot.errors.HotspotError
        If it cannot be written.
    """
    with tempfile.TemporaryDirectory(prefix="hotspot-") as scratch:
        folder = Path(scratch) / "board"
        save_board(board, folder)
        store.add(job_id, keep_folder(store, folder, kind=BOARD, phase=Phase.BEFORE))
