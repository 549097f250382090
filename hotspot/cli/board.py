"""`hotspot board`: make a board pack from design exports, check it, draw it."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from hotspot.errors import InputError

app = typer.Typer(
    add_completion=False,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    help="Board packs: import from design exports, check, draw.",
)


@app.command("import")
def import_(
    out: Annotated[Path, typer.Argument(help="Folder of the new board pack")],
    centroids: Annotated[
        Path | None, typer.Option("--centroids", help="Pick-and-place table (CSV, any delimiter)")
    ] = None,
    netlist: Annotated[
        Path | None, typer.Option("--netlist", help="IPC-D-356 or 356A netlist")
    ] = None,
    ipc2581: Annotated[
        Path | None, typer.Option("--ipc2581", help="IPC-2581 file (instead of the two above)")
    ] = None,
    bom: Annotated[
        Path | None, typer.Option("--bom", help="Bill of materials (CSV): packages by reference")
    ] = None,
    photo: Annotated[Path | None, typer.Option("--photo", help="Board photo, PNG or JPEG")] = None,
    photo_landmarks: Annotated[
        Path | None,
        typer.Option("--photo-landmarks", help="CSV board_x_mm,board_y_mm,photo_x_px,photo_y_px"),
    ] = None,
    name: Annotated[str | None, typer.Option("--name", help="Board type")] = None,
    unit: Annotated[
        str | None, typer.Option("--unit", help="Unit of the centroids: mm, mil or inch")
    ] = None,
    mirrored_bottom: Annotated[
        bool | None,
        typer.Option(
            "--mirrored-bottom/--plain-bottom", help="x runs the other way on the bottom side"
        ),
    ] = None,
    ground: Annotated[list[str] | None, typer.Option("--ground", help="Ground net; repeat")] = None,
    rail: Annotated[
        list[str] | None, typer.Option("--rail", help="Rail, with its volts: 3V3=3.3; repeat")
    ] = None,
    width_mm: Annotated[float | None, typer.Option("--width-mm", help="Board width")] = None,
    height_mm: Annotated[float | None, typer.Option("--height-mm", help="Board height")] = None,
    thickness_mm: Annotated[
        float | None, typer.Option("--thickness-mm", help="Board thickness")
    ] = None,
) -> None:
    """Make a board pack from a centroid table, a netlist, or both; or from IPC-2581."""
    from dataclasses import replace

    from hotspot.files.boards import load_photo_landmarks, save_board
    from hotspot.files.imports import Sources, import_board

    if (out / "board.toml").exists():
        raise InputError("holds a board pack already", where=str(out), cure="Give a new folder")
    if unit not in (None, "mm", "mil", "inch"):
        raise InputError(f"--unit {unit} is not known", cure="One of mm, mil, inch")
    if photo_landmarks is not None and not photo_landmarks.is_file():
        raise InputError("no such file", where=str(photo_landmarks), cure="Check the name")
    board = import_board(
        Sources(centroids, netlist, ipc2581, bom, photo),
        name=name or out.resolve().name,
        unit=unit,
        mirrored_bottom=mirrored_bottom,
        ground=tuple(ground or ()),
        rails=_rails(rail) if rail else None,
    )
    for key, value in (("width_mm", width_mm), ("height_mm", height_mm)):
        if value is not None and not 0 < value < 10000:
            raise InputError(f"--{key.replace('_', '-')} must be > 0, got {value:g}")
    board = replace(
        board,
        width_mm=width_mm or board.width_mm,
        height_mm=height_mm or board.height_mm,
        thickness_mm=thickness_mm or board.thickness_mm,
    )
    if photo_landmarks is not None:
        board = replace(board, photo_landmarks=load_photo_landmarks(photo_landmarks))
    save_board(board, out)
    nets = {n for p in board.parts for n in p.nets}
    sides = [sum(p.side == s for p in board.parts) for s in ("top", "bottom")]
    _say(f"{out}: {len(board.parts)} parts ({sides[0]} top, {sides[1]} bottom), {len(nets)} nets")
    for warning in board.warnings:
        _say(f"note: {warning}")
    _say(f"Next: hotspot board check {out}")


@app.command()
def check(
    folder: Annotated[Path, typer.Argument(help="Board pack")],
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object")] = False,
) -> None:
    """Say what is wrong or missing in a board pack; exit 1 when it would mislead."""
    from hotspot.files.boards import load_board
    from hotspot.files.packcheck import check_board

    board = load_board(folder)
    problems = check_board(board)
    severe = sum(p.severe for p in problems)
    if as_json:
        found = [{"severe": p.severe, "sentence": p.sentence} for p in problems]
        report = {"format": 1, "board": board.name, "parts": len(board.parts), "problems": found}
        sys.stdout.write(json.dumps(report, ensure_ascii=False) + "\n")
    else:
        _say(f"{board.name}: {len(board.parts)} parts, {len(board.rails)} rails")
        for problem in problems:
            _say(f"{'WRONG' if problem.severe else 'note '}  {problem.sentence}")
        _say("Nothing is wrong." if not severe else f"{severe} to correct.")
    if severe:
        raise typer.Exit(1)


@app.command()
def draw(
    folder: Annotated[Path, typer.Argument(help="Board pack")],
    out: Annotated[Path, typer.Option("--out", help="Picture to write (PNG)")] = Path(
        "part_map.png"
    ),
    side: Annotated[str, typer.Option("--side", help="top or bottom")] = "top",
    rail: Annotated[
        str | None, typer.Option("--rail", help="Colour the parts by their role on this rail")
    ] = None,
) -> None:
    """Draw the parts over the board photo, or on plain paper without one."""
    from hotspot.evidence.boardmap import draw_board
    from hotspot.files.boards import load_board
    from hotspot.files.tables import save_bytes

    if side not in ("top", "bottom"):
        raise InputError(f"--side {side} is not known", cure="top or bottom")
    if out.suffix.lower() != ".png":
        raise InputError("is no .png", where=str(out), cure="Give the picture a name like map.png")
    picture = draw_board(load_board(folder), side=side, rail=rail)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        save_bytes(picture, out)
    except OSError as err:
        raise InputError(f"cannot be written ({err.strerror or err})", where=str(out)) from err
    _say(f"{out}: part map")


def _rails(texts: list[str]) -> dict[str, float | None]:
    rails: dict[str, float | None] = {}
    for text in texts:
        name, mark, volts = text.rpartition("=")
        if not mark:
            rails[text] = None
            continue
        try:
            rails[name] = float(volts)
        except ValueError as err:
            raise InputError(
                f"--rail {text}: '{volts}' are no volts", cure="Write it like --rail 3V3=3.3"
            ) from err
    return rails


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
