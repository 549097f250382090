"""What the commands share: load, select, print. No computation."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from hotspot.errors import InputError

if TYPE_CHECKING:
    from calib.frames import FrameStack
    from hotspot.checks import FloatArray
    from hotspot.frame import Recording

RecordingFolder = Annotated[Path, typer.Argument(help="Folder of a recording")]
ProfileFile = Annotated[
    Path | None, typer.Option("--profile", help="Camera profile to use instead of its own")
]
Region = Annotated[str | None, typer.Option("--region", help="x,y,width,height in pixels")]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else")]


def new_app() -> typer.Typer:
    """Return an empty application for one command."""
    return typer.Typer(add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)


def load(folder: Path, *, profile: Path | None = None) -> Recording:
    """Return a recording, with another profile if one is given."""
    from hotspot.files.profiles import load_profile
    from hotspot.files.recordings import load_recording

    recording = load_recording(folder)
    if profile is None:
        return recording
    other = load_profile(profile)
    if other.shape != tuple(recording.source.shape[:2]):
        rows, cols = recording.source.shape[:2]
        raise InputError(
            f"is for {other.width} x {other.height} px, the recording has {cols} x {rows}",
            where=str(profile),
            cure="Give the profile of this camera",
        )
    return replace(recording, profile=other)


def load_stack(folder: Path, *, profile: Path | None = None) -> FrameStack:
    """Return the frames of a recording that count, with a progress bar on a terminal."""
    from calib.frames import read_stack

    recording = load(folder, profile=profile)
    with progress_on_stderr(f"reading {folder.name}") as tell:
        return read_stack(recording, progress=tell)


@contextmanager
def progress_on_stderr(what: str) -> Iterator[Callable[[int, int], None]]:
    """Yield a callback (done, in all) that draws a bar when a person looks at standard error."""
    if not sys.stderr.isatty():
        yield lambda done, of: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=1.0)
        yield lambda done, of: bar.update(task, completed=done / max(of, 1))


def say(text: str = "") -> None:
    """Write one line to standard output."""
    sys.stdout.write(text + "\n")


def say_json(value: dict[str, Any]) -> None:
    """Write one JSON object to standard output."""
    sys.stdout.write(json.dumps(value, ensure_ascii=False, indent=1) + "\n")


def say_warnings(warnings: tuple[str, ...]) -> None:
    """Write what to look at."""
    for text in warnings:
        say(f"Note: {text}.")


def check_free(path: Path, *, force: bool) -> None:
    """Refuse to write over a file, and to write where there is no folder."""
    if path.exists() and (not force or path.is_dir()):
        raise InputError("exists already", where=str(path), cure="Name another, or say --force")
    if not path.parent.is_dir():
        raise InputError("no such folder", where=str(path.parent), cure="Make it first")


def check_new_folder(path: Path) -> None:
    """Refuse a folder that holds something, and one that cannot be made."""
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise InputError("exists already", where=str(path), cure="Name a new folder")
    if not path.parent.is_dir():
        raise InputError("no such folder", where=str(path.parent), cure="Make it first")


def cut_region(stack: FrameStack, region: str | None, *, option: str) -> FloatArray:
    """Return the mean picture, cut to a region given as text."""
    mean = stack.mean
    if region is None:
        return mean
    x, y, w, h = to_box(region, mean.shape, option=option)
    return mean[y : y + h, x : x + w]


def to_box(text: str, shape: tuple[int, ...], *, option: str) -> tuple[int, int, int, int]:
    """Return (x, y, width, height) from text; inside a picture of (rows, cols)."""
    try:
        x, y, w, h = (int(part) for part in text.split(","))
    except ValueError as err:
        raise InputError(
            f"'{text[:30]}' is not x,y,width,height", where=option, cure="Four whole numbers"
        ) from err
    if x < 0 or y < 0 or w < 1 or h < 1 or x + w > shape[1] or y + h > shape[0]:
        raise InputError(
            f"{text} is not inside the {shape[1]} x {shape[0]} picture", where=option,
            cure="Count from 0 at the top left",
        )  # fmt: skip
    return x, y, w, h
