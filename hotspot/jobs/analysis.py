"""From a recording folder to the finding and its evidence: what command line and app both call."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hotspot.board import Board
from hotspot.errors import InputError, RecordingError
from hotspot.evidence.registration import load_photo
from hotspot.files.boards import load_board
from hotspot.files.heatfile import save_heat
from hotspot.files.recordings import load_recording
from hotspot.find import find
from hotspot.finding import Finding
from hotspot.frame import Recording

Progress = Callable[[float, str], None]

# The search for shutter events needs zones of several pixels in both directions.
LEAST_SIDE_PX = 16

# Written in this order: the finding comes last, so that a folder with a finding is complete.
EVIDENCE_FILES = ("evidence.png", "heat.png", "heat.tif", "finding.json")


@dataclass(frozen=True, slots=True, eq=False)
class Analysis:
    """A recording, what it was held against, and what was found.

    Attributes
    ----------
    recording, board
        As read; `board` is None without a board pack.
    rail
        The rail under injection, given or noted; None if neither.
    finding
        The answer.
    """

    recording: Recording
    board: Board | None
    rail: str | None
    finding: Finding


def analyse_recording(
    folder: Path,
    *,
    board_folder: Path | None = None,
    rail: str | None = None,
    history: Mapping[str, int] | None = None,
    progress: Progress | None = None,
) -> Analysis:
    """Return what the recording in `folder` says.

    Parameters
    ----------
    folder
        The recording.
    board_folder
        The board pack; the one named in the recording when None.
    rail
        The rail under injection; the one named in the recording when None.
    history
        How often each part was the fault on this board type.
    progress
        Called with the share done (0 to 1) and what is being done.

    Raises
    ------
    HotspotError
        If recording, board pack or rail cannot be used.
    """
    recording = load_recording(folder)
    if min(recording.source.shape[:2]) < LEAST_SIDE_PX:
        rows, cols = recording.source.shape[:2]
        raise RecordingError(
            f"frames of {cols} x {rows} pixels are too small; {LEAST_SIDE_PX} a side are needed",
            where=str(folder),
            cure="Record with a larger picture",
        )
    if board_folder is None and recording.board and not Path(recording.board).is_dir():
        warning = (
            f"the board pack named in the recording is not at {recording.board}: no part can be"
            " named; give it with --board"
        )
        recording = replace(recording, board=None, warnings=(*recording.warnings, warning))
    where = board_folder or (Path(recording.board) if recording.board else None)
    board = load_board(where) if where is not None else None
    chosen = rail or recording.rail
    if board is not None and chosen is not None:
        _check_rail(chosen, board, where=f"{folder}/recording.toml" if rail is None else "--rail")
    finding = find(
        recording,
        board=board,
        rail=chosen,
        history=history,
        photo=_photo_for_registration(recording, board),
        progress=progress,
    )
    return Analysis(recording=recording, board=board, rail=chosen, finding=finding)


def _photo_for_registration(recording: Recording, board: Board | None) -> NDArray[np.uint8] | None:
    """Return the board's photo where landmarks do not say how the pictures lie."""
    if len(recording.landmarks) or board is None or board.photo is None:
        return None
    return load_photo(board)


def _check_rail(rail: str, board: Board, *, where: str) -> None:
    """Refuse a rail that the board pack does not know, if it knows any."""
    known = [r.name for r in board.rails]
    nets = {net.casefold() for part in board.parts for net in part.nets}
    if board.rail(rail) is None and rail.casefold() not in nets and (known or nets):
        names = ", ".join(known[:12]) or "none noted"
        raise InputError(
            f"the board {board.name} has no rail {rail!r}",
            where=where,
            cure=f"Its rails: {names}",
        )


def save_evidence(analysis: Analysis, folder: Path) -> tuple[Path, ...]:
    """Save pictures, heat map and finding into `folder`; return the files.

    All is made in a folder beside it first. A new folder then appears as a whole; in a folder that
    is there each file is replaced as a whole, the finding last; other files are left alone.

    Raises
    ------
    InputError
        If the folder cannot be written.
    BoardError
        If the board's photo cannot be read.
    """
    # Who only asks for the answer need not wait for what draws it.
    from hotspot.evidence.metadata import to_json
    from hotspot.evidence.pictures import build_pictures

    facts, pictures = build_pictures(
        analysis.finding, analysis.recording, board=analysis.board, rail=analysis.rail
    )
    folder = Path(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(prefix=".hotspot-", dir=folder.parent))
        try:
            for name, data in pictures.items():
                (made / name).write_bytes(data)
            save_heat(made / "heat.tif", analysis.finding.heat)
            (made / "finding.json").write_text(to_json(facts, indent=1) + "\n", encoding="utf-8")
            _move_in(made, folder)
        finally:
            shutil.rmtree(made, ignore_errors=True)
    except OSError as err:
        raise InputError(
            f"the evidence cannot be written ({err.strerror or err})",
            where=str(folder),
            cure="Give another folder with --out, or make room",
        ) from err
    return tuple(folder / name for name in EVIDENCE_FILES)


def _move_in(made: Path, folder: Path) -> None:
    made.chmod(0o755)  # mkdtemp makes it private
    if not folder.exists():
        made.rename(folder)
        return
    for name in EVIDENCE_FILES:
        (made / name).replace(folder / name)
