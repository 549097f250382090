"""What a camera gives for a place or a temperature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.radiometry import Uncertain
from hotspot.checks import FloatArray
from hotspot.errors import RecordingError
from hotspot.frame import Recording
from hotspot.profile import CameraProfile, Values
from hotspot.radiometry import ZERO_CELSIUS_K, has_celsius, to_celsius


@dataclass(frozen=True, slots=True)
class RegionCounts:
    """Raw values of a region.

    Attributes
    ----------
    counts
        Mean over region and time; sigma is the standard deviation of the region's mean over time,
        drift included: what a second look would give differs by about as much.
    unevenness
        Standard deviation over the region of the pixels' means.
    frames
        Number of frames.
    celsius
        By the profile, None without a scale.
    """

    counts: Uncertain
    unevenness: float
    frames: int
    celsius: float | None


def measure_counts(recording: Recording, box: tuple[int, int, int, int]) -> RegionCounts:
    """Return the raw values of a box (x, y, width, height), bad pixels of the profile left out.

    Raises
    ------
    RecordingError
        Colour video, or nothing but bad pixels.
    """
    if len(recording.source.shape) != 2:
        raise RecordingError(
            "is false-colour video, which has no counts", where=recording.name, cure="Record raw"
        )
    x, y, w, h = box
    good = np.ones((h, w), bool)
    for px, py in recording.profile.bad_pixels:
        if x <= px < x + w and y <= py < y + h:
            good[py - y, px - x] = False
    means: list[float] = []
    total = np.zeros((h, w))
    for chunk in recording.source.chunks(64):
        part = chunk[:, y : y + h, x : x + w].astype(np.float64)
        good &= np.isfinite(part).all(axis=0)
        if not good.any():
            break
        means.extend(part[:, good].mean(axis=1).tolist())
        total += part.sum(axis=0)
    if not good.any() or len(means) < 2 or not np.isfinite(means).all():
        raise RecordingError(
            "holds no good pixel here, or one frame only", where=recording.name,
            cure="Give another region",
        )  # fmt: skip
    value = float(np.mean(means))
    celsius = None
    if has_celsius(recording.profile):
        picture = np.full((1, *recording.profile.shape), value)
        celsius = float(to_celsius(picture, recording.profile)[0, 0, 0])
    return RegionCounts(
        counts=Uncertain(value, float(np.std(means, ddof=1))),
        unevenness=float(np.std(total[good] / len(means))),
        frames=len(means),
        celsius=celsius if celsius is not None and np.isfinite(celsius) else None,
    )


def to_counts(celsius: Any, profile: CameraProfile) -> FloatArray:
    """Return the counts that this camera gives for a black surface; inverse of `to_celsius`.

    Raises
    ------
    ValueError
        If the profile has no scale and no curve.
    """
    kelvin = np.asarray(celsius, dtype=np.float64) + ZERO_CELSIUS_K
    curve = profile.radiance_curve
    if profile.values is Values.CELSIUS:
        return kelvin - ZERO_CELSIUS_K
    if profile.values is not Values.COUNTS or (curve is None and profile.scale is None):
        raise ValueError("profile must say what a count is worth")
    if curve is not None:
        out: FloatArray = curve.offset + curve.r / (np.exp(curve.b / kelvin) - curve.f)
        return out
    linear: FloatArray = (kelvin - ZERO_CELSIUS_K - (profile.offset or 0.0)) / (
        profile.scale or 1.0
    )
    return linear
