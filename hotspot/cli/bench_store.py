"""What every command that uses the job store shares: its options, opening it, printing."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Any

import typer

from hotspot.errors import InputError

if TYPE_CHECKING:
    from hotspot.store.entries import Phase
    from hotspot.store.jobs import JobStore

StoreOption = Annotated[
    str | None,
    typer.Option(
        "--store",
        help="Job store: a file or postgresql://…; else HOTSPOT_STORE, else your data folder",
    ),
]
JobOption = Annotated[int | None, typer.Option("--job", help="Note it in this job as well")]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON object and nothing else")]
AfterOption = Annotated[bool, typer.Option("--after", help="Taken after the repair, not before")]


@contextmanager
def opened(url: str | None) -> Iterator[JobStore]:
    """Open the job store named by option, environment or default."""
    from hotspot.store.jobs import open_store

    with open_store(url, bench=os.environ.get("HOTSPOT_BENCH", "")) as store:
        yield store


def phase(after: bool) -> Phase:
    """Return the phase an ``--after`` switch names."""
    from hotspot.store.entries import Phase

    return Phase.AFTER if after else Phase.BEFORE


def print_json(data: dict[str, Any]) -> None:
    """Print one JSON object."""
    sys.stdout.write(json.dumps(data, indent=1, allow_nan=False) + "\n")


def say(text: str) -> None:
    """Print a line."""
    sys.stdout.write(text + "\n")


@contextmanager
def progress(label: str) -> Iterator[Callable[[int, int], None]]:
    """Yield a callback (done, total) that draws a bar on standard error, if someone looks."""
    if not sys.stderr.isatty():
        yield lambda done, total: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def read_text(path: str) -> str:
    """Return the text of a file, or of standard input for "-".

    Raises
    ------
    hotspot.errors.InputError
        If it cannot be read.
    """
    from pathlib import Path

    try:
        return sys.stdin.read() if path == "-" else Path(path).read_text(encoding="utf-8-sig")
    except OSError as err:
        raise InputError(f"cannot be read: {err.strerror}", where=path) from err
    except UnicodeDecodeError as err:
        raise InputError("is no text file", where=path, cure="Save it as UTF-8 text") from err
