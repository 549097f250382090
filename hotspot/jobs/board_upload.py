"""Files that come in through a browser: checked, renamed, and turned into a board pack."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from hotspot.board import Board, Kind, Part
from hotspot.errors import BoardError, InputError
from hotspot.files.boards import load_board
from hotspot.files.imports import Sources, import_board
from hotspot.files.photos import MOST_BYTES, check_photo
from hotspot.jobs.board_pack import keep_board
from hotspot.store.jobs import JobStore

# The name a file gets on disk is ours alone; what it was called is never used.
_NAMES = {
    "centroids": "centroids.csv",
    "netlist": "netlist.ipc",
    "ipc2581": "board.xml",
    "bill_of_materials": "bill.csv",
}


def import_for_job(
    store: JobStore,
    job_id: int,
    *,
    files: Mapping[str, bytes],
    photo: bytes | None,
    name: str,
    unit: str | None = None,
) -> Board:
    """Make a board pack from uploaded design files and keep it with the job.

    Parameters
    ----------
    store, job_id
        The job.
    files
        By kind: "centroids", "netlist", "ipc2581", "bill_of_materials".
    photo
        PNG or JPEG, or None.
    name
        Board type.
    unit
        Of the centroid table, if it does not say.

    Raises
    ------
    hotspot.errors.HotspotError
        If a file cannot be used.
    """
    with tempfile.TemporaryDirectory(prefix="hotspot-") as scratch:
        paths: dict[str, Path] = {}
        for kind, data in files.items():
            if kind not in _NAMES:
                raise ValueError(f"kind must be one of {tuple(_NAMES)}, got {kind!r}")
            if len(data) > MOST_BYTES:
                raise InputError("is too large", where=kind.replace("_", " "))
            paths[kind] = Path(scratch) / _NAMES[kind]
            paths[kind].write_bytes(data)
        if photo is not None:
            paths["photo"] = Path(scratch) / f"photo.{check_photo(photo)[0]}"
            paths["photo"].write_bytes(photo)
        try:
            board = import_board(Sources(**paths), name=name or "board", unit=unit)
        except BoardError as err:
            # The technician knows the files by their kind, not by a name in a scratch folder.
            raise BoardError(err.what, where=Path(err.where).name, cure=err.cure) from err
        keep_board(store, job_id, board)
    return board


def keep_photo(store: JobStore, job_id: int, photo: bytes, *, board: Board | None) -> None:
    """Keep a photo as (part of) the board pack of a job; parts are then placed on it in photo px.

    Raises
    ------
    hotspot.errors.HotspotError
        If it cannot be used.
    """
    kind, _ = check_photo(photo)
    with tempfile.TemporaryDirectory(prefix="hotspot-") as scratch:
        path = Path(scratch) / f"photo.{kind}"
        path.write_bytes(photo)
        base = board or Board(name="board", parts=(), units="photo_px")
        keep_board(store, job_id, replace(base, photo=path))


def adopt_folder(store: JobStore, job_id: int, folder: Path) -> Board:
    """Keep a board pack that lies on this machine with the job.

    Raises
    ------
    hotspot.errors.BoardError
        If it is none.
    """
    board = load_board(folder)
    keep_board(store, job_id, board)
    return board


def to_part(
    ref: str,
    kind: Kind,
    *,
    corner: tuple[float, float],
    other: tuple[float, float],
    nets: str = "",
    package: str = "",
) -> Part:
    """Return a part drawn as a box between two corners in photo px.

    Raises
    ------
    InputError
        If it has no name or no size.
    """
    width, height = abs(other[0] - corner[0]), abs(other[1] - corner[1])
    if not ref.strip():
        raise InputError("has no name", where="part", cure="Write for example C17")
    if width < 2 or height < 2:
        raise InputError("is too small", where=ref, cure="Draw the box again, zoomed in")
    names = tuple(n for n in nets.replace(",", " ").replace(";", " ").split() if n)
    return Part(
        ref=ref.strip().upper(),
        kind=kind,
        package=package.strip(),
        x_mm=(corner[0] + other[0]) / 2,
        y_mm=(corner[1] + other[1]) / 2,
        width_mm=width,
        height_mm=height,
        nets=names,
    )
