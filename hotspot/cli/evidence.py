"""`hotspot evidence`: say whether a saved picture is unaltered and belongs to its finding."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(add_completion=False, rich_markup_mode=None, no_args_is_help=True)

EXIT_DOUBTFUL = 1


@app.callback()
def evidence() -> None:
    """Look at saved evidence."""


@app.command()
def check(
    picture: Annotated[Path, typer.Argument(help="evidence.png or heat.png as it was saved")],
    finding: Annotated[
        Path | None, typer.Option(help="Finding to hold it against; else finding.json beside it")
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object and nothing else")
    ] = False,
) -> None:
    """Say whether picture and finding belong together and are unaltered.

    Exit code 0 when they do, 1 when not, 2 when the file cannot be used.
    """
    from hotspot.evidence.metadata import check_picture, load_facts, to_json

    beside = picture.parent / "finding.json"
    against = finding or (beside if beside.is_file() else None)
    result = check_picture(picture, finding=None if against is None else load_facts(against))
    good = result.unaltered and result.belongs is not False
    if as_json:
        report = {
            "format": 1,
            "unaltered": result.unaltered,
            "belongs": result.belongs,
            "finding": result.facts,
        }
        sys.stdout.write(to_json(report, indent=1, ascii_only=True) + "\n")
    else:
        typer.echo(
            "unaltered: pixels and facts match the seal"
            if result.unaltered
            else "ALTERED: pixels or facts no longer match the seal"
        )
        if against is None:
            typer.echo("no finding.json beside it to hold it against")
        elif result.belongs:
            typer.echo(f"belongs to {against}")
        else:
            typer.echo(f"does NOT belong to {against}: the facts inside differ")
    if not good:
        raise typer.Exit(EXIT_DOUBTFUL)
