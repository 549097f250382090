"""`calib uniformity`: flat field and bad pixels from one or two uniform scenes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from calib.cli.common import (
    AsJson,
    ProfileFile,
    RecordingFolder,
    check_new_folder,
    load,
    load_stack,
    new_app,
    say,
    say_json,
    say_warnings,
)

uniformity = new_app()


@uniformity.command()
def measure(
    recording: RecordingFolder,
    second: Annotated[
        Path | None, typer.Argument(help="Another uniform scene, 10 K warmer or more: gains too")
    ] = None,
    profile: ProfileFile = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="New folder for maps, profile and picture")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Flat field, bad and blinking pixels, stripes: one or two recordings of a uniform scene.

    Show a lens cap or a matt plate out of focus that fills the picture. A hot plate burns.
    """
    from calib.uniformity import measure_uniformity
    from calib.words import uniformity_words
    from hotspot.files.profiles import save_profile

    if out is not None:
        check_new_folder(out)
    first = load_stack(recording, profile=profile)
    other = None if second is None else load_stack(second, profile=profile)
    report = measure_uniformity(first, other)
    if out is not None:
        from calib.figures import save_figure
        from calib.pictures import draw_uniformity
        from calib.uniformity import save_flat_field

        out.mkdir(parents=True, exist_ok=True)
        save_flat_field(report.flat, out)
        camera = load(recording, profile=profile).profile
        save_profile(replace(camera, bad_pixels=report.defects.bad_pixels), out / "camera.toml")
        save_figure(draw_uniformity(report, title=recording.name), out / "uniformity.png")
    if as_json:
        say_json(report.to_dict())
        return
    for line in uniformity_words(report):
        say(line)
    say_warnings(report.warnings)
    if out is not None:
        say(f"{out}: offset.npy, gain.npy, camera.toml, uniformity.png.")
