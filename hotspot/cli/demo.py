"""`hotspot demo`: the main job on the sample recordings that come with the package."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(add_completion=False, rich_markup_mode=None)


@app.command()
def demo(
    out: Annotated[
        Path, typer.Option(help="Folder for the evidence; one folder a recording inside")
    ] = Path("hotspot-evidence"),
) -> None:
    """Run the main job on the sample recordings and save the evidence."""
    from hotspot.cli.answer import print_answer, progress_on_stderr
    from hotspot.evidence import words
    from hotspot.jobs.analysis import analyse_recording, save_evidence

    results = []
    for folder in sample_recordings():
        typer.echo(f"hotspot find {folder.name} --out {out / folder.name}")
        with progress_on_stderr() as progress:
            analysis = analyse_recording(folder, progress=progress)
            saved = save_evidence(analysis, out / folder.name)
        print_answer(analysis, saved=saved)
        results.append((folder.name, words.headline(analysis.finding), saved[0]))
    width = max(len(name) for name, _, _ in results)
    for name, answer, picture in results:
        typer.echo(f"{name.ljust(width)}   {answer:<20}  {picture}")


def sample_recordings() -> list[Path]:
    """Return the sample recordings: beside the package in a clone, inside it when installed.

    Raises
    ------
    InputError
        If there are none.
    """
    from hotspot.errors import InputError

    package = Path(str(resources.files("hotspot")))
    for folder in (package / "_sample_frames", package.parent / "sample_frames"):
        found = sorted(path.parent for path in folder.glob("**/recording.toml"))
        if found:
            return found
    raise InputError(
        "the sample recordings are missing",
        where=str(package),
        cure="Install the package again, or run from a full clone",
    )
