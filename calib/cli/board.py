"""`calib emissivity`: how well each place of a board shines."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Annotated, Any

import typer

from calib.cli.common import (
    AsJson,
    ProfileFile,
    Region,
    check_new_folder,
    load_stack,
    new_app,
    say,
    say_json,
    say_warnings,
    to_box,
)
from hotspot.errors import InputError

emissivity = new_app()


@emissivity.command()
def measure_board(
    cool: Annotated[Path | None, typer.Argument(help="Recording of the cool board")] = None,
    warm: Annotated[Path | None, typer.Argument(help="Of the same board, evenly warm")] = None,
    cool_c: Annotated[float | None, typer.Option("--cool-c", help="Contact thermometer")] = None,
    warm_c: Annotated[float | None, typer.Option("--warm-c", help="Contact thermometer")] = None,
    sigma_k: Annotated[float, typer.Option("--sigma-k", help="Of the thermometer")] = 0.5,
    region: Region = None,
    known: Annotated[bool, typer.Option("--known", help="Print the table of surfaces")] = False,
    profile: ProfileFile = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="New folder for map and picture")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """How well each place of a board shines, from two recordings at even temperatures.

    Batteries off the board first; a plate at 60 °C burns. --known prints ranges for surfaces.
    """
    import numpy as np

    from calib.emissivity import known_surfaces, measure_emissivity
    from calib.radiometry import Uncertain
    from calib.words import emissivity_words
    from hotspot.files.tables import save_bytes

    if known:
        for s in known_surfaces():
            say(f"{s.name:32} {s.low:.2f} to {s.high:.2f}   {s.source}")
        return
    if cool is None or warm is None or cool_c is None or warm_c is None:
        raise InputError(
            "two recordings, --cool-c and --warm-c are needed", cure="Or --known for the table"
        )
    if not 0 < sigma_k < 50 or not -50 < cool_c < 400 or not -50 < warm_c < 400:
        raise InputError("a temperature is out of range", cure="Give °C, and --sigma-k above 0")
    if out is not None:
        check_new_folder(out)
    stacks = [load_stack(folder, profile=profile) for folder in (cool, warm)]
    if any(s.unit != "K" for s in stacks):
        raise InputError(
            "values are not temperatures", where=str(cool), cure="Calibrate: calib points"
        )
    from calib.noise import measure_noise

    sigma = max(
        measure_noise(s.values, good=s.good).pixel.value / float(np.sqrt(len(s.values)))
        for s in stacks
    )
    found = measure_emissivity(
        stacks[0].mean,
        stacks[1].mean,
        cool_board=Uncertain(cool_c, sigma_k),
        warm_board=Uncertain(warm_c, sigma_k),
        pixel_sigma_k=sigma,
        good=stacks[0].good & stacks[1].good,
    )
    box = to_box(region, stacks[0].mean.shape, option="--region") if region else None
    if out is not None:
        from calib.figures import save_figure
        from calib.pictures import draw_emissivity

        out.mkdir(parents=True, exist_ok=True)
        buffer = io.BytesIO()
        np.save(buffer, found.emissivity.astype(np.float32))
        save_bytes(buffer.getvalue(), out / "emissivity.npy")
        save_figure(draw_emissivity(found, title=warm.name), out / "emissivity.png")
    if as_json:
        value: dict[str, Any] = {
            "format": 1, "median": float(np.nanmedian(found.emissivity)),
            "scale_sigma": found.scale, "reflected_c": _or_none(found.reflected_c),
            "impossible": found.impossible, "warnings": list(found.warnings),
        }  # fmt: skip
        if box is not None:
            part = found.describe(box)
            value["region"] = {"emissivity": part.value, "sigma": part.sigma}
        say_json(value)
        return
    for line in emissivity_words(found, box):
        say(line)
    say_warnings(found.warnings)
    if out is not None:
        say(f"{out}: emissivity.npy, emissivity.png.")


def _or_none(value: float) -> float | None:
    return value if value == value else None
