"""`hotspot evidence`: say whether a saved picture is unaltered and belongs to its finding."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from hotspot.cli.bench_store import JsonOption, StoreOption, opened, print_json, say
from hotspot.errors import InputError

app = typer.Typer(add_completion=False, rich_markup_mode=None, no_args_is_help=True)

EXIT_DOUBTFUL = 1


@app.callback()
def evidence() -> None:
    """Look at saved evidence."""


@app.command()
def check(
    picture: Annotated[
        Path,
        typer.Argument(
            metavar="FILE", help="Picture as it was saved, its folder, or a job's exported zip"
        ),
    ],
    finding: Annotated[
        Path | None, typer.Option(help="Finding to hold it against; else finding.json beside it")
    ] = None,
    job: Annotated[
        int | None, typer.Option(min=1, help="Also compare with the hashes kept in this job")
    ] = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say whether picture and finding belong together and are unaltered.

    The seal inside a picture shows a slip; the hash kept in the job store shows intent as well.
    Exit code 0 when all is well, 1 when not, 2 when the file cannot be used.
    """
    seen = _check_zip(picture) if picture.suffix.lower() == ".zip" else _check(picture, finding)
    if job is not None:
        from hotspot.jobs.evidence import find_in_job

        with opened(store) as bench:
            kept, says = find_in_job(bench.job_file(job), picture)
        seen.append({"file": str(picture), "good": kept, "kept_in_job": kept, "says": [says]})
    good = all(s["good"] for s in seen)
    if as_json:
        first: dict[str, Any] = {
            k: seen[0][k] for k in ("unaltered", "belongs", "finding") if k in seen[0]
        }
        print_json({"format": 1, "good": good, **first, "files": seen})
    else:
        for entry in seen:
            for line in entry["says"]:
                say(line if len(seen) == 1 or picture.is_file() else f"{entry['file']}: {line}")
    if not good:
        raise typer.Exit(EXIT_DOUBTFUL)


def _check(path: Path, finding: Path | None) -> list[dict[str, Any]]:
    from hotspot.evidence.metadata import check_picture, load_facts

    pictures = sorted(path.glob("*.png")) if path.is_dir() else [path]
    if not pictures:
        raise InputError("holds no pictures", where=str(path), cure="Give a PNG to check")
    seen = []
    for picture in pictures:
        beside = picture.parent / "finding.json"
        against = finding or (beside if beside.is_file() else None)
        result = check_picture(picture, finding=None if against is None else load_facts(against))
        says = [
            "unaltered: pixels and facts match the seal"
            if result.unaltered
            else "ALTERED: pixels or facts no longer match the seal"
        ]
        if against is None:
            says.append("no finding.json beside it to hold it against")
        elif result.belongs:
            says.append(f"belongs to {against}")
        else:
            says.append(f"does NOT belong to {against}: the facts inside differ")
        seen.append(
            {
                "file": str(picture),
                "good": result.unaltered and result.belongs is not False,
                "unaltered": result.unaltered,
                "belongs": result.belongs,
                "finding": result.facts,
                "says": says,
            }
        )
    return seen


def _check_zip(path: Path) -> list[dict[str, Any]]:
    from hotspot.jobs.export import check_export

    problems = list(check_export(path))
    says = problems or ["unaltered: every file matches its hash"]
    return [{"file": str(path), "good": not problems, "unaltered": not problems, "says": says}]
