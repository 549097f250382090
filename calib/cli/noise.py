"""`calib noise`: noise of a camera from a recording of a scene at rest."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.common import (
    AsJson,
    ProfileFile,
    RecordingFolder,
    check_free,
    load_stack,
    new_app,
    say,
    say_json,
    say_warnings,
)

noise = new_app()


@noise.command()
def measure(
    recording: RecordingFolder,
    profile: ProfileFile = None,
    out: Annotated[Path | None, typer.Option("--out", help="Picture to write (PNG, PDF)")] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over an existing file")] = False,
    as_json: AsJson = False,
) -> None:
    """Noise of a scene at rest: NETD, its parts, spectrum, what averaging brings, frame rate.

    A uniform scene (lens cap, matt plate out of focus) gives the fixed pattern as well.
    """
    from calib.characterise import characterise_noise
    from calib.words import noise_words

    if out is not None:
        from calib.figures import check_picture

        check_free(out, force=force)
        check_picture(out)
    report = characterise_noise(load_stack(recording, profile=profile))
    if out is not None:
        from calib.figures import draw_noise, save_figure

        save_figure(draw_noise(report, title=recording.name), out)
    if as_json:
        say_json(report.to_dict())
        return
    for line in noise_words(report):
        say(line)
    say_warnings(report.warnings)
    if out is not None:
        say(f"{out}: written.")
