"""Make a profile: from a kind of camera, from what is said, and from frames."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.frames import FrameStack
from calib.generic import guess_generic, load_generic, with_size
from calib.noise import measure_noise
from hotspot.errors import InputError, ProfileError
from hotspot.files.containers import open_npy
from hotspot.files.profiles import MAX_SIDE_PX
from hotspot.files.tiffs import open_tiff
from hotspot.files.videos import VIDEO_SUFFIXES, VideoSource
from hotspot.profile import CameraProfile


@dataclass(frozen=True, slots=True, eq=False)
class FirstLook:
    """The first frames of a file and what they look like.

    Attributes
    ----------
    width, height
        Pixels of a frame; of the raw plane where it is stacked with a picture.
    generic
        Name of the generic profile they look like.
    frames
        (n, rows, cols[, 3]) as delivered.
    """

    width: int
    height: int
    generic: str
    frames: NDArray[Any]


def look_at(path: Path) -> FirstLook:
    """Return the first frames of a TIFF stack, an array file or a video, or of such in a folder.

    Raises
    ------
    InputError
        Not there, or no container of frames.
    """
    path = Path(path)
    if path.is_dir():
        suffixes = (".npy", ".tif", ".tiff", *VIDEO_SUFFIXES)
        names = [path / f"frames{s}" for s in suffixes]
        found = next((p for p in names if p.is_file()), None)
        if found is None:
            raise InputError(
                "holds no frames.tif, frames.npy or frames.mkv", where=str(path),
                cure="Name the file with the frames",
            )  # fmt: skip
        path = found
    if not path.is_file():
        raise InputError("no such file", where=str(path), cure="Name the file with the frames")
    suffix = path.suffix.casefold()
    if suffix == ".npy":
        container: Any = open_npy(path)
    elif suffix in (".tif", ".tiff"):
        container = open_tiff(path)
    elif suffix in VIDEO_SUFFIXES:
        container = VideoSource(path)
    else:
        raise InputError(
            f"'{suffix}' is no container of frames", where=str(path),
            cure="Give a .tif, .npy or video file, or the folder of a recording",
        )  # fmt: skip
    frames = next(iter(container.chunks(8)), None)
    if frames is None or frames.ndim not in (3, 4):
        raise InputError("holds no frames", where=str(path), cure="Record again")
    height, width = int(frames.shape[1]), int(frames.shape[2])
    kind = guess_generic(frames)
    if kind == "stacked":  # the raw plane is the lower half
        height //= 2
    return FirstLook(width, height, kind, frames)


def build_profile(
    *,
    like: str,
    name: str | None = None,
    width: int | None = None,
    height: int | None = None,
    scale: float | None = None,
    offset: float | None = None,
    frame_rate_hz: float | None = None,
    netd_mk: float | None = None,
    psf_sigma_px: float | None = None,
) -> CameraProfile:
    """Return a generic profile with what is known of this camera put in.

    Raises
    ------
    ProfileError
        A value out of range; names it.
    """
    profile = load_generic(like)
    for key, side in (("width", width), ("height", height)):
        if side is not None and not 1 <= side <= MAX_SIDE_PX:
            raise ProfileError(f"{key} must be from 1 to {MAX_SIDE_PX}, got {side}")
    for key, value in (("frame_rate_hz", frame_rate_hz), ("netd_mk", netd_mk)):
        if value is not None and not value > 0:
            raise ProfileError(f"{key} must be > 0, got {value:g}")
    if psf_sigma_px is not None and not psf_sigma_px >= 0:
        raise ProfileError(f"psf_sigma_px must be >= 0, got {psf_sigma_px:g}")
    if (scale is None) != (offset is None):
        raise ProfileError("scale and offset go together", cure="Give both or none")
    if scale is not None and (not np.isfinite(scale) or scale == 0):
        raise ProfileError(f"scale must be a number other than 0, got {scale:g}")
    profile = with_size(profile, width=width or profile.width, height=height or profile.height)
    if scale is not None:
        profile = replace(profile, scale=scale, offset=offset, radiance_curve=None)
    return replace(
        profile,
        name=name or profile.name,
        frame_rate_hz=frame_rate_hz,
        netd_mk=netd_mk,
        psf_sigma_px=psf_sigma_px,
    )


def with_measured(profile: CameraProfile, stack: FrameStack) -> CameraProfile:
    """Return the profile with noise, frame rate and bad pixels as a recording shows them.

    The noise goes in as mK only where a value is in kelvin; what is set already is overwritten.
    """
    noise = measure_noise(stack.values, good=stack.good)
    bad = tuple((int(x), int(y)) for y, x in np.argwhere(~stack.good))
    return replace(
        profile,
        netd_mk=round(1e3 * noise.one_frame.value, 2) if stack.unit == "K" else profile.netd_mk,
        frame_rate_hz=round(stack.rate.effective_hz, 3) or profile.frame_rate_hz,
        bad_pixels=bad,
    )
