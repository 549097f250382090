"""`hotspot register`: lay a recording on the board's photo and say how well it lies."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(add_completion=False, rich_markup_mode=None)


@app.command()
def register(
    recording: Annotated[Path, typer.Argument(help="Folder of the recording")],
    board: Annotated[
        Path | None, typer.Option(help="Board pack; else the one named in the recording")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Save a picture of the thermal edges over the photo (PNG)")
    ] = None,
    save: Annotated[
        Path | None, typer.Option(help="Keep the registration for this stand (JSON file)")
    ] = None,
    kept: Annotated[
        Path | None, typer.Option(help="Use a kept registration after checking it")
    ] = None,
    automatic: Annotated[
        bool, typer.Option("--automatic", help="Leave the recording's landmarks aside")
    ] = False,
) -> None:
    """Lay a recording on the board's photo; say how well it lies, and which clicks are wrong."""
    import cv2

    from hotspot.errors import InputError
    from hotspot.evidence.registration import draw_registration
    from hotspot.files.registrations import save_registration
    from hotspot.files.tables import save_bytes
    from hotspot.jobs.registering import register_recording

    done = register_recording(recording, board_folder=board, kept=kept, automatic=automatic)
    found = done.registration
    say = sys.stdout.write
    say(f"Method: {found.method}\n")
    if found.rms_px is not None:
        say(f"Residual: {found.rms_px:.2f} thermal px (root mean square)\n")
    fitted = found.photo_from_thermal
    if fitted is not None:
        say(f"Kind of map: {fitted.model}\n")
    if found.method == "landmarks" and fitted is not None:
        for i, error in enumerate(fitted.leave_one_out_px):
            note = "  left out: wrong" if i in fitted.outliers else ""
            value = "-" if math.isnan(error) else f"{error:.1f}"
            say(f"  landmark {i + 1}: {value} photo px from the map of the others{note}\n")
    if found.support:
        say(f"Support: {found.support}\n")
    for sentence in found.warnings:
        say(f"Note: {sentence}\n")
    if save is not None and found.method != "none":
        save_registration(save, found, cold=done.cold)
        say(f"Kept: {save}\n")
    if out is not None:
        if done.photo is None or fitted is None:
            say("No picture: there is no photo, or no registration to it.\n")
            return
        picture = draw_registration(done.photo, done.cold, fitted, landmarks=done.landmarks)
        encoded = cv2.imencode(".png", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR))[1]
        if out.suffix.lower() != ".png":
            raise InputError("the picture is a PNG", where=str(out), cure="Give a name in .png")
        save_bytes(encoded.tobytes(), out)
        say(f"Picture: {out}\n")
