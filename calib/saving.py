"""Profiles on disk, so that several cameras may share a folder."""

from __future__ import annotations

from pathlib import Path

from hotspot.files.profiles import profile_to_toml
from hotspot.files.tables import save_text, to_csv_line
from hotspot.profile import CameraProfile


def save_camera(profile: CameraProfile, path: Path) -> None:
    """Write a profile, and its bad pixels as ``NAME.bad_pixels.csv`` beside it.

    A list named after the profile keeps the profiles of one folder apart.
    """
    name = f"{path.stem}.bad_pixels.csv" if profile.bad_pixels else None
    if name is not None:
        lines = ["x,y\n", *(to_csv_line((int(x), int(y))) for x, y in profile.bad_pixels)]
        save_text("".join(lines), path.parent / name)
    save_text(profile_to_toml(profile, bad_pixels=name), path)
