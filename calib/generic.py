"""Profiles for kinds of cameras, shipped with the package, and a first guess from frames."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.errors import InputError
from hotspot.files.profiles import load_profile
from hotspot.profile import CameraProfile, Values

_FOLDER = Path(__file__).resolve().parent / "profiles"
# Scenes a bench sees: the middle of a picture read by the right scale lies in here, °C. The two
# linear scales read each other's room temperature as -82 and +193 °C.
BENCH_C = (-10.0, 70.0)


def generic_names() -> tuple[str, ...]:
    """Return the names of the generic profiles."""
    return tuple(sorted(p.stem for p in _FOLDER.glob("*.toml")))


def load_generic(name: str) -> CameraProfile:
    """Return a generic profile; its size is an example.

    Raises
    ------
    InputError
        If there is none of this name.
    """
    if name not in generic_names():
        raise InputError(
            f"no generic profile '{name[:40]}'", cure=f"One of {', '.join(generic_names())}"
        )
    return load_profile(_FOLDER / f"{name}.toml")


def generic_text(name: str) -> str:
    """Return the file of a generic profile, comments included."""
    load_generic(name)
    return (_FOLDER / f"{name}.toml").read_text(encoding="utf-8")


def guess_generic(frames: NDArray[Any]) -> str:
    """Return the name of the generic profile that frames look like.

    Parameters
    ----------
    frames
        (n, rows, cols) or (n, rows, cols, 3), raw.

    Notes
    -----
    Floats are °C, 8-bit frames are video. Among 16-bit counts a scale that reads the middle of
    the picture as a bench temperature wins; counts that fit none are taken as raw.
    """
    if frames.dtype == np.uint8 and frames.ndim == 4 and frames.shape[-1] == 2:
        return "stacked"  # two bytes a pixel, as plain video devices hand them out
    if frames.dtype == np.uint8:
        grey = frames.ndim == 3 or bool((frames[..., :1] == frames).all())
        return "grey8" if grey else "palette8"
    if frames.dtype.kind == "f":
        return "celsius"
    middle = float(np.median(frames))
    for name in ("linear-10mk", "linear-64th-k"):
        profile = load_generic(name)
        if BENCH_C[0] <= middle * (profile.scale or 1) + (profile.offset or 0) <= BENCH_C[1]:
            return name
    return "radiance"


def with_size(profile: CameraProfile, *, width: int, height: int) -> CameraProfile:
    """Return the profile for frames of another size; a stacked layout is moved along with it.

    The raw plane keeps its place in units of the frame's size (below the picture, above it …).
    """
    plane = profile.raw_plane
    if plane is not None:
        x, y, w, h = plane.crop_px
        per_px = w / profile.width  # delivered pixels a raw pixel
        crop = (
            round(x / profile.width * width),
            round(y / profile.height * height),
            round(per_px * width),
            round(h / profile.height * height),
        )
        plane = replace(plane, crop_px=crop)
    return replace(profile, width=width, height=height, raw_plane=plane)


def describe_values(profile: CameraProfile) -> str:
    """Return in a few words what a value of this camera means."""
    if profile.values is Values.CELSIUS:
        return "temperatures in °C"
    if profile.values is Values.GREY8:
        return "grey levels of a display video, no absolute temperature"
    if profile.values is Values.PALETTE8:
        return "false colours of a display video, no absolute temperature"
    if profile.radiance_curve is not None:
        return "counts linear in radiance"
    if profile.scale is not None:
        return f"counts of {profile.scale * 1e3:.6g} mK"
    return "raw counts without a scale: calibrate with reference points"
