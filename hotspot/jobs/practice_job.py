"""A practice job: the sample board, a short drawn by lot, the readings it would give."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from importlib import resources
from pathlib import Path

from hotspot.bench.cameras import build_practice_scene
from hotspot.board import Board
from hotspot.errors import InputError
from hotspot.files.boards import load_board
from hotspot.jobs.drafts import Drafts
from hotspot.jobs.intake import BOARD, keep_folder, reading_entries
from hotspot.rails.reading import Mode, Reading, parse_line
from hotspot.store.entries import Entry, Phase
from hotspot.store.jobs import JobStore

CUSTOMER = "practice"
SEED = "practice_seed"
# Draft: shield cans lifted on the way; no action says "removed" of what is no faulty part.
CANS = "cans_lifted"
# What a sound rail reads where the board pack does not say (common practice, no source).
_SOUND_OHM = 2200.0


def sample_board() -> Path:
    """Return the folder of the sample board, in a clone or in the installed package.

    Raises
    ------
    InputError
        If it is missing.
    """
    package = Path(str(resources.files("hotspot")))
    for folder in (package / "_sample_frames", package.parent / "sample_frames"):
        if (folder / "board" / "board.toml").is_file():
            return folder / "board"
    raise InputError(
        "the sample board is missing",
        where=str(package),
        cure="Install the package again, or run from a full clone",
    )


def open_practice_job(store: JobStore, drafts: Drafts, *, seed: int | None = None) -> int:
    """Open a practice job and return its number.

    Parameters
    ----------
    store, drafts
        Where it is kept; the seed goes into the drafts, so that the same short is there tomorrow.
    seed
        Draws the short; by lot when None.

    Raises
    ------
    hotspot.errors.HotspotError
        If the sample board or the store cannot be used.
    """
    folder = sample_board()
    board = load_board(folder)
    seed = secrets.randbelow(1_000_000) + 1 if seed is None else seed
    job = store.new_job(customer=CUSTOMER, board_type=board.name, complaint="does not start")
    entries: list[Entry] = [*keep_folder(store, folder, kind=BOARD, phase=Phase.BEFORE)]
    entries += reading_entries(measure_practice_board(board, seed=seed), Phase.BEFORE)
    store.add(job.id, entries)
    drafts.save(job.id, SEED, seed)
    return job.id


def measure_practice_board(
    board: Board, *, seed: int, taken_off: Sequence[str] = ()
) -> tuple[Reading, ...]:
    """Return what a meter shows on each rail of the practice board, in ohms.

    Parameters
    ----------
    board, seed
        The practice stand.
    taken_off
        Parts that are off: without the shorted one its rail reads as a sound one.
    """
    scene = build_practice_scene(board, seed=seed)
    off = {ref.casefold() for ref in taken_off}
    is_short = (scene.circuit.short_ref or "").casefold() not in off
    lines = [
        f"{rail.name}={scene.circuit.short_ohm:.2f}"
        if rail.name == scene.rail and is_short
        else f"{rail.name}={rail.healthy_ohm or _SOUND_OHM:.0f}"
        for rail in board.rails
    ]
    return tuple(parse_line(line, mode=Mode.OHM) for line in lines)
