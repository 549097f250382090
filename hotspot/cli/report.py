"""`hotspot report`: the hand-over report of a job."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Annotated

import typer

from hotspot.cli.bench_store import StoreOption, opened, say
from hotspot.errors import InputError

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)


@app.command()
def report(
    job: Annotated[int, typer.Argument(help="Job number", min=1)],
    out: Annotated[Path | None, typer.Option("--out", help="PDF to write; else job-N.pdf")] = None,
    store: StoreOption = None,
) -> None:
    """Write the hand-over report of a job as PDF; the same job gives the same bytes."""
    from hotspot.jobs.hand_over import write_report

    path = out or Path(f"job-{job}.pdf")
    with opened(store) as bench:
        data = write_report(bench, job)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    except OSError as err:
        raise InputError(
            f"cannot be written: {err.strerror}", where=str(path), cure="Give another --out"
        ) from err
    say(f"{path}  SHA-256 {hashlib.sha256(data).hexdigest()}")
