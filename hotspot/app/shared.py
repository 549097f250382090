"""What all pages and the live channel share: one store, one desk, one ticket office a process."""

from __future__ import annotations

import functools
import tempfile
import threading
from contextlib import ExitStack
from pathlib import Path

import platformdirs

from hotspot.app.tickets import TicketOffice
from hotspot.bench.desk import LiveDesk
from hotspot.board import Board
from hotspot.jobs.background import Works
from hotspot.jobs.board_pack import open_board
from hotspot.jobs.drafts import Drafts
from hotspot.store.engine import default_url
from hotspot.store.entries import JobFile
from hotspot.store.jobs import JobStore, open_store

_opening = threading.Lock()
_stack = ExitStack()


def store() -> JobStore:
    """Return the job store named by HOTSPOT_STORE, or the one in the user's data folder.

    Raises
    ------
    hotspot.errors.StoreError
        If it cannot be opened.
    """
    with _opening:
        return _store_at(default_url())


@functools.cache
def _store_at(url: str) -> JobStore:
    return _stack.enter_context(open_store(url, bench="bench app"))


@functools.cache
def desk() -> LiveDesk:
    """Return who has the camera."""
    return LiveDesk()


@functools.cache
def works() -> Works:
    """Return the analyses that go on in the background."""
    return Works()


@functools.cache
def tickets() -> TicketOffice:
    """Return who may open the live channel."""
    return TicketOffice()


def data_folder() -> Path:
    """Return the folder for drafts and unfinished recordings: beside the store's file, if any."""
    url = default_url()
    if "://" not in url:
        return Path(url).expanduser().resolve().parent
    return Path(platformdirs.user_data_dir("hotspot", appauthor=False))


def drafts() -> Drafts:
    """Return what was typed but not yet noted."""
    return Drafts(data_folder() / "drafts")


@functools.cache
def scratch() -> Path:
    """Return a folder that lives as long as the process."""
    return Path(_stack.enter_context(tempfile.TemporaryDirectory(prefix="hotspot-bench-")))


def board_of(file: JobFile) -> Board | None:
    """Return the board pack of a job with its photo, None without one.

    Raises
    ------
    hotspot.errors.HotspotError
        If the pack is damaged.
    """
    return open_board(store(), file, scratch=scratch() / "boards")


def live_photo() -> bytes | None:
    """Return the board photo of the job that the camera is open for, None without one."""
    view = desk().view
    board = None if view is None else view.case.board
    if board is None or board.photo is None:
        return None
    try:
        return board.photo.read_bytes()
    except OSError:
        return None
