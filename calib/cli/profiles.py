"""`calib profiles`, `calib new`, `calib check`: camera profiles."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.cli.common import check_free, new_app, say, say_warnings
from hotspot.errors import InputError

if TYPE_CHECKING:
    from calib.frames import FrameStack
    from hotspot.profile import CameraProfile

profiles, new, check = new_app(), new_app(), new_app()


@profiles.command()
def list_profiles(
    show: Annotated[str | None, typer.Option("--show", help="Print this profile's file")] = None,
) -> None:
    """List the kinds of cameras that come with the package, or print one's file."""
    from calib.generic import describe_values, generic_names, generic_text, load_generic

    if show is not None:
        sys.stdout.write(generic_text(show))
        return
    for name in generic_names():
        profile = load_generic(name)
        stacked = ", raw plane stacked with a picture" if profile.raw_plane else ""
        say(f"{name:15} {describe_values(profile)}{stacked}")


@new.command()
def new_profile(
    file: Annotated[Path, typer.Argument(help="Profile to write, such as camera.toml")],
    like: Annotated[str | None, typer.Option("--like", help="Kind: see calib profiles")] = None,
    frames: Annotated[
        Path | None, typer.Option("--frames", help="File or folder with frames: size and kind")
    ] = None,
    recording: Annotated[
        Path | None,
        typer.Option("--recording", help="Recording of a scene at rest: noise, rate, bad pixels"),
    ] = None,
    name: Annotated[str | None, typer.Option("--name", help="Your name for the camera")] = None,
    width: Annotated[int | None, typer.Option("--width", help="Pixels across")] = None,
    height: Annotated[int | None, typer.Option("--height", help="Pixels down")] = None,
    scale: Annotated[float | None, typer.Option("--scale", help="K per count")] = None,
    offset: Annotated[float | None, typer.Option("--offset", help="°C at count 0")] = None,
    frame_rate_hz: Annotated[float | None, typer.Option("--frame-rate-hz")] = None,
    netd_mk: Annotated[float | None, typer.Option("--netd-mk")] = None,
    psf_sigma_px: Annotated[float | None, typer.Option("--psf-sigma-px")] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over an existing file")] = False,
) -> None:
    """Make a camera profile. What is not said is measured or, on a terminal, asked for."""
    from calib.generic import describe_values, generic_names
    from calib.make import build_profile, look_at, with_measured
    from hotspot.files.profiles import save_profile

    check_free(file, force=force)
    source = frames if frames is not None else recording
    if source is not None:
        look = look_at(source)
        if like is None:
            like = look.generic
            say(f"The frames look like: {like} ({look.width} x {look.height} px).")
        # The raw plane of a stacked image is smaller than the image.
        if (like == "stacked") == (look.generic == "stacked"):
            width, height = width or look.width, height or look.height
    like = like or _ask("--like", f"Kind of camera ({', '.join(generic_names())})")
    if width is None:
        width = _whole("--width", _ask("--width", "Pixels across"))
    if height is None:
        height = _whole("--height", _ask("--height", "Pixels down"))
    profile = build_profile(
        like=like, name=name, width=width, height=height, scale=scale, offset=offset,
        frame_rate_hz=frame_rate_hz, netd_mk=netd_mk, psf_sigma_px=psf_sigma_px,
    )  # fmt: skip
    if recording is not None:
        temporary = _with_profile(recording, profile)
        profile = with_measured(profile, temporary)
        say_warnings(temporary.warnings)
    save_profile(profile, file)
    say(f"{file}: {describe_values(profile)}.")
    _say_missing(profile)


@check.command()
def check_profile(
    file: Annotated[Path, typer.Argument(help="Camera profile, or a recording's recording.toml")],
    count: Annotated[float | None, typer.Option("--count", help="Print this count in °C")] = None,
    celsius: Annotated[
        float | None, typer.Option("--celsius", help="Print the count of this temperature")
    ] = None,
) -> None:
    """Check a camera profile: what its numbers mean, what is missing."""
    from calib.generic import describe_values
    from hotspot.files.profiles import load_profile

    profile = load_profile(file)
    say(f"{profile.name}: {profile.width} x {profile.height} px, {describe_values(profile)}.")
    if profile.raw_plane is not None:
        x, y, w, h = profile.raw_plane.crop_px
        say(
            f"Raw plane: {w} x {h} px at ({x}, {y}) of the image, read as {profile.raw_plane.view}."
        )
    say(f"{len(profile.bad_pixels)} bad pixels are listed.")
    _say_missing(profile)
    _say_values(profile, count=count, celsius=celsius)


def _say_values(profile: CameraProfile, *, count: float | None, celsius: float | None) -> None:
    import numpy as np

    from calib.counts import to_counts
    from hotspot.radiometry import has_celsius, to_celsius

    if count is None and celsius is None:
        return
    if not has_celsius(profile):
        raise InputError("the profile has no temperatures", cure="calib points gives it some")
    if count is not None:
        picture = np.full((1, *profile.shape), float(count))
        value = float(to_celsius(picture, profile)[0, 0, 0])
        good = np.isfinite(value)
        say(f"Count {count:g}: {value:.3f} °C" if good else f"Count {count:g}: no temperature")
    if celsius is not None:
        if not -150 < celsius < 3000:
            raise InputError(f"{celsius:g} °C is out of range", where="--celsius", cure="In °C")
        say(f"{celsius:g} °C: count {float(to_counts(celsius, profile)):.2f}")


def _say_missing(profile: CameraProfile) -> None:
    from hotspot.radiometry import has_celsius

    if profile.is_radiometric and not has_celsius(profile):
        say("Missing: what a count is worth. calib points measures it.")
    if profile.netd_mk is None and profile.is_radiometric:
        say("Missing: netd_mk. calib noise measures it.")
    if profile.psf_sigma_px is None:
        say("Missing: psf_sigma_px. calib sharpness measures it.")
    if profile.frame_rate_hz is None:
        say("Missing: frame_rate_hz. calib noise measures it.")


def _with_profile(folder: Path, profile: CameraProfile) -> FrameStack:
    from calib.cli.common import load, progress_on_stderr
    from calib.frames import read_stack

    recording = load(folder)
    if recording.source.shape[:2] != profile.shape:
        rows, cols = recording.source.shape[:2]
        raise InputError(
            f"has {cols} x {rows} px, the profile {profile.width} x {profile.height}",
            where=str(folder), cure="Give --width and --height of the recording",
        )  # fmt: skip
    with progress_on_stderr(f"reading {folder.name}") as tell:
        return read_stack(replace(recording, profile=profile), progress=tell)


def _ask(option: str, question: str) -> str:
    if not sys.stdin.isatty():
        raise InputError(f"{option} is missing", cure=f"Give {option}, or --frames to look at")
    answer: str = typer.prompt(question)
    return answer.strip()


def _whole(option: str, text: str) -> int:
    try:
        return int(text)
    except ValueError as err:
        raise InputError(f"'{text[:20]}' is no whole number", where=option) from err
