"""`hotspot practice`: recordings with known truth, to learn on and to test with."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hotspot.errors import InputError

if TYPE_CHECKING:
    from hotspot.board import Board
    from hotspot.practice import SimulatedRecording

app = typer.Typer(add_completion=False, rich_markup_mode=None, no_args_is_help=True)

_PHOTO_SEED = 1


@app.command()
def samples(
    folder: Annotated[Path, typer.Argument(help="New or empty folder")] = Path("sample_frames"),
) -> None:
    """Write the sample board and its recordings, each with a truth.json."""
    from hotspot.files.recorder import check_empty
    from hotspot.files.tables import save_text
    from hotspot.practice.samples import SAMPLE_CASES, simulate_sample, write_sample_readme

    for case in SAMPLE_CASES:
        check_empty(folder / case.name)
    with _waiting("Drawing the board"):
        board = _save_demo_board(folder / "board")
    truths = []
    for case in SAMPLE_CASES:
        with _waiting(f"Simulating {case.name}, {case.duration_s:g} s"):
            simulated = simulate_sample(case, board)
            _save(simulated, folder / case.name, board=folder / "board")
        truths.append((case, simulated.truth))
        typer.echo(f"{folder / case.name}: {len(simulated.recording.t_s)} frames. {case.about}")
    save_text(write_sample_readme(tuple(truths)), folder / "README.md")


@app.command()
def record(
    folder: Annotated[Path, typer.Argument(help="New or empty folder")],
    fault: Annotated[str | None, typer.Option(help="Shorted part; none: nothing shorted")] = None,
    rail: Annotated[str, typer.Option(help="Rail under injection")] = "3V3",
    path: Annotated[
        list[str] | None, typer.Option(help="Part the current passes on its way; repeatable")
    ] = None,
    hidden: Annotated[
        bool, typer.Option("--hidden", help="A fault and rail drawn by lot; see truth.json after")
    ] = False,
    ohms: Annotated[float, typer.Option(min=0.0, help="Resistance of the short")] = 0.1,
    volts: Annotated[float, typer.Option(min=0.0, max=60.0, help="Set voltage")] = 1.0,
    amps: Annotated[float, typer.Option(min=0.0, max=30.0, help="Current limit")] = 0.5,
    seconds: Annotated[float, typer.Option(min=1.0, max=3600.0, help="Length")] = 30.0,
    on_at: Annotated[float, typer.Option(min=0.0, help="Second at which it goes on")] = 8.0,
    pulses: Annotated[
        int, typer.Option(min=0, max=1000, help="Switched by hand so many times; 0: stays on")
    ] = 0,
    netd_mk: Annotated[float, typer.Option(min=0.0, max=1000.0, help="Camera noise")] = 60.0,
    seed: Annotated[int, typer.Option(min=0, help="Another seed, another recording")] = 1,
) -> None:
    """Write one recording of the demo board with a fault of your choice."""
    import numpy as np

    from hotspot.files.recorder import check_empty
    from hotspot.practice import (
        Switching,
        build_demo_board,
        build_hand_switching,
        build_hidden_scene,
        build_scene,
        simulate_recording,
    )
    from hotspot.practice.samples import SAMPLE_CAMERA

    plain = build_demo_board()
    if plain.rail(rail) is None:
        known = ", ".join(r.name for r in plain.rails)
        raise InputError(
            f"no rail '{rail}' on the demo board", where="--rail", cure=f"One of {known}"
        )
    for option, ref in (("--fault", fault), *(("--path", p) for p in path or [])):
        if ref is not None and plain.part(ref) is None:
            raise InputError(
                f"no part '{ref}' on the demo board",
                where=option,
                cure=f"One of {plain.parts[0].ref} … {plain.parts[-1].ref}: see board/parts.csv",
            )
    if hidden and (fault is not None or path):
        raise InputError("--hidden draws the fault itself", cure="Leave --fault and --path out")
    if on_at >= seconds:
        raise InputError(
            f"the output would go on at {on_at:g} s, after the end",
            where="--on-at",
            cure=f"Give less than {seconds:g}, or a longer --seconds",
        )
    check_empty(folder)
    rng = np.random.default_rng(seed)
    if pulses:
        half_s = max(0.5, (seconds - on_at) / (2 * pulses))
        switching = build_hand_switching(
            first_s=on_at, on_s=half_s, off_s=half_s, pulses=pulses, sway=0.08,
            volts=volts, amps=amps, rng=rng,
        )  # fmt: skip
    else:
        switching = Switching(edges_s=(on_at,), volts=volts, amps=amps)
    board_folder = folder.parent / "board"
    with _waiting("Drawing the board"):
        board = _save_demo_board(board_folder)
    camera = replace(SAMPLE_CAMERA, netd_mk=netd_mk)
    if hidden:
        scene = build_hidden_scene(board, rng=rng, camera=camera)
    else:
        scene = build_scene(
            board, rail=rail, fault=fault, short_ohm=ohms, path=tuple(path or ()), camera=camera
        )
    with _waiting(f"Simulating {seconds:g} s"):
        simulated = simulate_recording(
            scene, switching, duration_s=seconds, rng=rng, name=folder.name
        )
        _save(simulated, folder, board=board_folder)
    frames = len(simulated.recording.t_s)
    typer.echo(f"{folder}: {frames} frames, board in {board_folder}; the answer is in truth.json")


def _save_demo_board(folder: Path) -> Board:
    """Write the demo board's pack, unless it is there already, and return the board."""
    import numpy as np

    from hotspot.files.boards import load_board, save_board
    from hotspot.files.tables import save_bytes
    from hotspot.practice.demo_board import build_demo_board
    from hotspot.practice.photo import build_photo, to_jpeg

    board = build_demo_board()
    if (folder / "board.toml").exists():
        there = load_board(folder)
        if there.name != board.name:
            raise InputError(
                f"holds another board, '{there.name}'", where=str(folder), cure="Give a new folder"
            )
        return replace(board, photo=there.photo, photo_landmarks=there.photo_landmarks)
    photo = build_photo(board, rng=np.random.default_rng(_PHOTO_SEED))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        save_bytes(to_jpeg(photo.rgb), folder / "photo.jpg")
    except OSError as err:
        raise InputError(
            f"cannot be written ({err.strerror or err})", where=str(folder), cure="Check the disk"
        ) from err
    board = replace(board, photo=folder / "photo.jpg", photo_landmarks=photo.landmarks)
    save_board(board, folder)
    return board


def _save(simulated: SimulatedRecording, folder: Path, *, board: Path) -> None:
    from hotspot.files.recorder import save_recording
    from hotspot.files.tables import save_text

    save_recording(replace(simulated.recording, board=str(board)), folder)
    save_text(json.dumps(simulated.truth.to_dict(), indent=1) + "\n", folder / "truth.json")


@contextmanager
def _waiting(what: str) -> Iterator[None]:
    """Show on standard error that work goes on."""
    from rich.console import Console

    with Console(stderr=True).status(what):
        yield
