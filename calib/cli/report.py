"""`calib report`: one page to pin to the bench."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from calib.cli.common import (
    AsJson,
    ProfileFile,
    RecordingFolder,
    check_free,
    cut_region,
    load,
    load_stack,
    new_app,
    say,
    say_json,
    say_warnings,
)
from hotspot.errors import InputError

report = new_app()


@report.command()
def write_report(
    recording: RecordingFolder,
    out: Annotated[Path, typer.Option("--out", help="Page to write (PNG, PDF)")],
    edge: Annotated[
        Path | None, typer.Option("--edge", help="Recording of a slanted edge: sharpness too")
    ] = None,
    region: Annotated[
        str | None, typer.Option("--region", help="x,y,width,height of the edge")
    ] = None,
    mm_per_px: Annotated[
        float | None, typer.Option("--mm-per-px", help="Scale at the bench: calib geometry")
    ] = None,
    profile: ProfileFile = None,
    date: Annotated[str | None, typer.Option("--date", help="Date to print; today")] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over an existing file")] = False,
    as_json: AsJson = False,
) -> None:
    """Write one page on what this camera can see, from a recording of a scene at rest."""
    from calib.characterise import characterise_noise
    from calib.figures import check_picture, save_figure
    from calib.overview import build_overview
    from calib.page import draw_page
    from calib.sharpness import measure_edge

    check_free(out, force=force)
    check_picture(out)
    if mm_per_px is not None and not 0 < mm_per_px < 1e4:
        raise InputError(f"{mm_per_px:g} is out of range", where="--mm-per-px", cure="Above 0")
    if region is not None and edge is None:
        raise InputError("--region goes with --edge", cure="Name the recording of the edge")
    camera = load(recording, profile=profile).profile
    stack = load_stack(recording, profile=profile)
    found = None
    if edge is not None:
        found = measure_edge(cut_region(load_stack(edge), region, option="--region"))
    view = build_overview(
        characterise_noise(stack), profile=camera, edge=found, mm_per_px=mm_per_px
    )
    today = date or datetime.now().astimezone().date().isoformat()
    save_figure(draw_page(view, date=today), out)
    if as_json:
        say_json(view.to_dict())
        return
    for name, value in view.facts:
        say(f"{name:16} {value}")
    say_warnings(view.noise.warnings)
    say(f"{out}: written.")
