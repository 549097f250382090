"""`calib sharpness`, `calib geometry`: blur, scale, straightness."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.cli.common import (
    AsJson,
    ProfileFile,
    RecordingFolder,
    Region,
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

if TYPE_CHECKING:
    from calib.radiometry import Uncertain

sharpness, geometry = new_app(), new_app()

Force = Annotated[bool, typer.Option("--force", help="Write over an existing file")]


@sharpness.command()
def measure_sharpness(
    recording: RecordingFolder,
    region: Region = None,
    pinhole_px: Annotated[
        float | None, typer.Option("--pinhole-px", help="A pinhole of this diameter, no edge")
    ] = None,
    strip: Annotated[
        str | None, typer.Option("--strip", help="Region x,y,width,height of a strip")
    ] = None,
    strip_mm: Annotated[float | None, typer.Option("--strip-mm", help="Its width")] = None,
    mm_per_px: Annotated[float | None, typer.Option("--mm-per-px", help="If known")] = None,
    profile: ProfileFile = None,
    out: Annotated[Path | None, typer.Option("--out", help="Picture to write (PNG, PDF)")] = None,
    profile_out: Annotated[
        Path | None, typer.Option("--profile-out", help="Profile to write, blur included")
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Blur from a straight edge turned by about 5 degrees, scale from a strip of known width.

    The edge: a warm plate before a cool one, or matt tape on bright metal of one temperature.
    """
    from calib.pinhole import measure_pinhole
    from calib.scale import measure_strip
    from calib.sharpness import measure_edge
    from calib.words import sharpness_words, to_sharpness_dict
    from hotspot.files.profiles import save_profile

    for path in (out, profile_out):
        if path is not None:
            check_free(path, force=force)
    if out is not None:
        _check_picture(out)
    if (strip is None) != (strip_mm is None):
        raise InputError("--strip and --strip-mm go together", cure="Give both")
    for option, value in (("--strip-mm", strip_mm), ("--mm-per-px", mm_per_px)):
        if value is not None and not 0 < value < 1e4:
            raise InputError(f"{value:g} is out of range", where=option, cure="Give mm above 0")
    if pinhole_px is not None and not 0 <= pinhole_px < 100:
        raise InputError(f"{pinhole_px:g} is out of range", where="--pinhole-px", cure="In pixels")
    if pinhole_px is not None and out is not None:
        raise InputError("a picture is drawn for an edge only", where="--out", cure="Leave it out")
    stack = load_stack(recording, profile=profile)
    picture = cut_region(stack, region, option="--region")
    edge = spot = None
    if pinhole_px is None:
        edge = measure_edge(picture)
        blur = edge.psf_sigma_px
    else:
        spot = measure_pinhole(picture, hole_px=pinhole_px)
        blur = max(spot.sigma_x_px, spot.sigma_y_px, key=lambda u: u.value)
    scale: Uncertain | None = None
    if strip is not None and strip_mm is not None:
        scale = measure_strip(cut_region(stack, strip, option="--strip"), width_mm=strip_mm)
    elif mm_per_px is not None:
        from calib.radiometry import Uncertain as Value

        scale = Value(mm_per_px, 0.0)
    if out is not None and edge is not None:
        from calib.figures import save_figure
        from calib.pictures import draw_sharpness

        save_figure(draw_sharpness(edge, picture, scale=scale, title=recording.name), out)
    if profile_out is not None:
        camera = load(recording, profile=profile).profile
        save_profile(replace(camera, psf_sigma_px=round(blur.value, 4)), profile_out)
    if as_json:
        say_json(to_sharpness_dict(edge, spot, blur=blur, scale=scale))
        return
    for line in sharpness_words(edge, spot, blur=blur, scale=scale):
        say(line)
    for path in (out, profile_out):
        if path is not None:
            say(f"{path}: written.")


@geometry.command()
def measure_geometry(
    recordings: Annotated[list[Path], typer.Argument(help="One recording a view of the grid")],
    corners: Annotated[
        str, typer.Option("--corners", help="Inner corners or circles: across x down, as 7x5")
    ],
    pitch_mm: Annotated[float, typer.Option("--pitch-mm", help="Distance of neighbours")],
    circles: Annotated[bool, typer.Option("--circles", help="A circle grid")] = False,
    profile: ProfileFile = None,
    out: Annotated[Path | None, typer.Option("--out", help="TOML file to write")] = None,
    picture: Annotated[Path | None, typer.Option("--picture", help="PNG or PDF to write")] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Distortion and mm per pixel from a chessboard or circle grid that shows in the heat.

    Matt tape squares on bright metal show at one temperature, a printed grid under a lamp for a
    while. Three or more tilted views give the focal length as well.
    """
    from calib.geometry import FEWEST_TILTED_VIEWS, fit_pinhole_lens, fit_rig
    from calib.grid import Grid, find_grid
    from calib.words import geometry_words, to_geometry_dict
    from hotspot.files.tables import save_text, to_toml_value

    for path in (out, picture):
        if path is not None:
            check_free(path, force=force)
    if picture is not None:
        _check_picture(picture)
    across, down = _pair(corners)
    try:
        grid = Grid(across, down, pitch_mm, is_circles=circles)
    except ValueError as err:
        raise InputError(str(err), cure="Correct --corners or --pitch-mm") from err
    means, views = [], []
    for folder in recordings:
        stack = load_stack(folder, profile=profile)
        means.append(stack.mean)
        views.append(find_grid(stack.mean, grid, where=str(folder)))
    if len({m.shape for m in means}) > 1:
        raise InputError("the recordings differ in size", cure="Use one camera")
    shape = (int(means[0].shape[0]), int(means[0].shape[1]))
    rig = fit_rig(tuple(views), grid, shape=shape)
    lens = None
    note: tuple[str, ...] = ()
    if len(views) >= FEWEST_TILTED_VIEWS:
        try:
            lens = fit_pinhole_lens(tuple(views), grid, shape=shape)
        except InputError as err:
            note = (f"no focal length: {err.sentence.rstrip('.')}",)
    facts = to_geometry_dict(rig, lens)
    if out is not None:
        lines = [f"{k} = {to_toml_value(v)}\n" for k, v in facts.items() if v is not None]
        save_text("".join(lines), out)
    if picture is not None:
        from calib.figures import save_figure
        from calib.pictures import draw_geometry

        save_figure(draw_geometry(rig, means[0], views[0], title=recordings[0].name), picture)
    if as_json:
        say_json(facts)
        return
    for line in geometry_words(rig, lens):
        say(line)
    say_warnings(note)
    for path in (out, picture):
        if path is not None:
            say(f"{path}: written.")


def _check_picture(path: Path) -> None:
    from calib.figures import check_picture

    check_picture(path)


def _pair(text: str) -> tuple[int, int]:
    try:
        across, down = (int(part) for part in text.lower().split("x"))
    except ValueError as err:
        raise InputError(f"'{text[:20]}' is not like 7x5", where="--corners") from err
    return across, down
