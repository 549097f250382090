"""`hotspot find`: name the heated part in a recording."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from hotspot.cli.bench_store import AfterOption, StoreOption, opened, phase

app = typer.Typer(add_completion=False, rich_markup_mode=None)


@app.command()
def find(
    recording: Annotated[Path, typer.Argument(help="Folder of the recording")],
    board: Annotated[
        Path | None, typer.Option(help="Board pack; else the one named in the recording")
    ] = None,
    rail: Annotated[
        str | None, typer.Option(help="Rail under injection; else as noted in the recording")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Save evidence.png, heat.png, heat.tif, finding.json here")
    ] = None,
    job: Annotated[
        int | None,
        typer.Option("--job", min=1, help="Keep all in this job, learn from its board type"),
    ] = None,
    after: AfterOption = False,
    store: StoreOption = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object and nothing else")
    ] = False,
) -> None:
    """Name the heated part in a recording, with a probability.

    "No hot spot" and "cannot tell" are answers too: the exit code is 0 for them. It is 2 for
    input that cannot be used; one line then says what, where, and the cure.
    """
    from hotspot.cli.answer import print_answer, progress_on_stderr
    from hotspot.evidence.metadata import to_json
    from hotspot.finding import finding_to_dict
    from hotspot.jobs.analysis import analyse_recording, save_evidence

    with progress_on_stderr() as progress:
        if job is None:
            analysis = analyse_recording(
                recording, board_folder=board, rail=rail, progress=progress
            )
            saved = save_evidence(analysis, out) if out is not None else ()
        else:
            from hotspot.jobs.find_for_job import find_for_job

            with opened(store) as bench:
                analysis, saved = find_for_job(
                    bench,
                    job,
                    recording,
                    board_folder=board,
                    rail=rail,
                    phase=phase(after),
                    out=out,
                    progress=progress,
                )
    if as_json:
        text = to_json(finding_to_dict(analysis.finding), indent=1, ascii_only=True)
        sys.stdout.write(text + "\n")
        return
    print_answer(analysis, saved=saved)
