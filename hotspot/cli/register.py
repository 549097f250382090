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
    touched: Annotated[
        Path | None,
        typer.Option(
            help="Places touched with a warm tip while recording: CSV photo_x_px,photo_y_px,"
            " in the order of touching"
        ),
    ] = None,
    landmarks: Annotated[
        Path | None,
        typer.Option(help="With --touched: write the pairs as landmarks.csv of a recording"),
    ] = None,
) -> None:
    """Lay a recording on the board's photo; say how well it lies, and which clicks are wrong."""
    from hotspot.errors import InputError
    from hotspot.evidence.registration import draw_registration, save_png
    from hotspot.files.registrations import save_registration
    from hotspot.jobs.registering import register_recording

    if touched is not None:
        _register_touched(
            recording,
            touched,
            board=board,
            out=out,
            save=save,
            landmarks=landmarks,
            other=kept is not None or automatic,
        )
        return
    if landmarks is not None:
        raise InputError("--landmarks is written from touches", cure="Give --touched as well")
    done = register_recording(recording, board_folder=board, kept=kept, automatic=automatic)
    found = done.registration
    say = sys.stdout.write
    say(f"Method: {found.method}\n")
    if found.rms_px is not None and done.is_checked:
        say(f"Residual: {found.rms_px:.2f} thermal px (root mean square)\n")
    elif found.rms_px is not None:
        say("Residual: none that says anything, so few landmarks always fit\n")
    fitted = found.photo_from_thermal
    if fitted is not None:
        say(f"Kind of map: {fitted.model}\n")
    if found.method == "landmarks" and fitted is not None:
        for i, (thermal_px, photo_px) in enumerate(done.from_others_px):
            note = "  left out: wrong" if i in fitted.outliers else ""
            value = f"{thermal_px:.1f} thermal px ({photo_px:.1f} photo px)"
            if math.isnan(thermal_px):
                value = "-"
            say(f"  landmark {i + 1}: {value} from the map of the others{note}\n")
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
        save_png(draw_registration(done.photo, done.cold, fitted, landmarks=done.landmarks), out)
        say(f"Picture: {out}\n")


def _register_touched(
    recording: Path,
    touched: Path,
    *,
    board: Path | None,
    out: Path | None,
    save: Path | None,
    landmarks: Path | None,
    other: bool,
) -> None:
    from hotspot.cli.answer import progress_on_stderr
    from hotspot.errors import InputError
    from hotspot.evidence.registration import save_png
    from hotspot.evidence.touches import draw_touches
    from hotspot.files.landmarks import save_landmarks
    from hotspot.files.registrations import save_registration
    from hotspot.jobs.touching import register_touched

    if other:
        raise InputError("--touched goes without --kept and --automatic", cure="Choose one")
    with progress_on_stderr() as progress:
        done = register_touched(recording, touched, board_folder=board, progress=progress)
    say = sys.stdout.write
    found = done.registration
    fitted = found.photo_from_thermal
    say(f"Method: {found.method}\n")
    for i, touch in enumerate(done.touches):
        at = f"({touch.xy_px[0]:.1f}, {touch.xy_px[1]:.1f})"
        pair = "no click"
        if i in done.pairing.touches:
            pair = f"click {done.pairing.clicks[done.pairing.touches.index(i)] + 1}"
        say(f"  touch at {touch.t_s:.1f} s, thermal {at} px, SNR {touch.snr:.0f}: {pair}\n")
    if found.rms_px is not None:
        say(f"Residual: {found.rms_px:.2f} thermal px (root mean square)\n")
    if fitted is not None:
        say(f"Kind of map: {fitted.model}\n")
    for sentence in found.warnings:
        say(f"Note: {sentence}\n")
    if landmarks is not None:
        save_landmarks(done.landmarks, landmarks)
        say(f"Landmarks: {landmarks}\n")
    if save is not None:
        save_registration(save, found, cold=done.picture)
        say(f"Kept: {save}\n")
    if out is not None:
        picture = draw_touches(
            done.picture,
            done.photo,
            touches=done.touches,
            clicks=done.clicks,
            pairing=done.pairing,
            photo_from_thermal=fitted,
        )
        save_png(picture, out)
        say(f"Picture: {out}\n")
