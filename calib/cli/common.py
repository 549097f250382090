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
    from hotspot.frame import Recording

RecordingFolder = Annotated[Path, typer.Argument(help="Folder of a recording")]
ProfileFile = Annotated[
    Path | None, typer.Option("--profile", help="Camera profile to use instead of its own")
]
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
