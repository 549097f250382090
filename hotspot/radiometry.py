"""From counts to °C, or to relative units where the camera has no absolute scale."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.profile import CameraProfile, RadianceCurve, RawPlane, Values

ZERO_CELSIUS_K = 273.15
# Luma weights of ITU-R BT.601-7, section 2.5.1: what an 8-bit picture's grey is made of.
LUMA_RGB = (0.299, 0.587, 0.114)


def to_celsius(counts: NDArray[Any], profile: CameraProfile) -> NDArray[np.float32]:
    """Return pixel values in °C, or in relative units for a camera without an absolute scale.

    Parameters
    ----------
    counts
        (..., rows, cols), or (..., rows, cols, 3) uint8 RGB; the raw values of one or more frames.
    profile
        What the values mean.

    Returns
    -------
    (..., rows, cols) float32
        °C for radiometric profiles with a scale or a curve and for ``celsius``; counts for
        ``counts`` without either; luminance 0-255 for display video. NaN where a count lies
        outside the radiance curve's range, or was NaN.

    Raises
    ------
    ValueError
        If the last axes are not the profile's shape.

    Notes
    -----
    The arithmetic is float64, rounded once to float32 (2 µK at 30 °C); uint16 frames go through
    a table of all 65536 counts.
    """
    array = np.asarray(counts)
    rows, cols = profile.shape
    if array.shape[-3:] == (rows, cols, 3) and array.dtype == np.uint8:
        return to_luminance(array)
    if array.shape[-2:] != (rows, cols):
        raise ValueError(f"counts must end with shape {(rows, cols)}, got {array.shape}")
    scale, offset, curve = profile.scale, profile.offset, profile.radiance_curve
    if profile.values is not Values.COUNTS or (scale is None and curve is None):
        return array.astype(np.float32)
    if array.dtype == np.uint16:
        table = _celsius_table(scale, offset, curve)
        looked_up = np.empty(array.shape, dtype=np.float32)
        # Frame by frame: the indices that numpy makes of the counts then stay in the cache.
        frames = array.reshape(-1, rows * cols)
        for frame, out in zip(frames, looked_up.reshape(frames.shape), strict=True):
            np.take(table, frame, out=out, mode="clip")  # no count lies outside the table
        return looked_up
    return _celsius(array.astype(np.float64), scale, offset, curve).astype(np.float32)


def has_celsius(profile: CameraProfile) -> bool:
    """Return whether `to_celsius` gives °C for this camera rather than relative units."""
    if profile.values is Values.CELSIUS:
        return True
    scaled = profile.scale is not None or profile.radiance_curve is not None
    return profile.values is Values.COUNTS and scaled


def to_luminance(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return the luma (..., rows, cols) of uint8 RGB pictures, 0-255 (ITU-R BT.601-7)."""
    # Grey stored as RGB must come back as the same grey to the last bit, so weigh differences.
    green = rgb[..., 1].astype(np.float32)
    luma = green + np.float32(LUMA_RGB[0]) * (rgb[..., 0].astype(np.float32) - green)
    luma += np.float32(LUMA_RGB[2]) * (rgb[..., 2].astype(np.float32) - green)
    out: NDArray[np.float32] = luma
    return out


def to_raw_plane(frames: NDArray[Any], plane: RawPlane) -> NDArray[Any]:
    """Return the raw plane of stacked frames that carry picture and raw values in one image.

    Parameters
    ----------
    frames
        (n, rows, cols) or (n, rows, cols, channels), as delivered.
    plane
        Where the raw values lie and what type the bytes are.

    Returns
    -------
    (n, rows, cols) of the viewed type, native byte order.

    Raises
    ------
    ValueError
        If the crop is not inside the frame or its bytes do not divide into the type.
    """
    x, y, width, height = plane.crop_px
    if y + height > frames.shape[1] or x + width > frames.shape[2]:
        raise ValueError(
            f"crop_px {plane.crop_px} must lie inside {frames.shape[2]} x {frames.shape[1]}"
        )
    crop = np.ascontiguousarray(frames[:, y : y + height, x : x + width])
    flat = crop.reshape(len(crop), height, -1)
    dtype = np.dtype(plane.view)
    if flat.shape[2] * flat.itemsize % dtype.itemsize:
        raise ValueError(f"view {plane.view!r} must divide a row of {flat.shape[2]} values")
    viewed = flat.view(dtype)
    return viewed.astype(dtype.newbyteorder("="), copy=False)


def _celsius(
    counts: NDArray[np.float64],
    scale: float | None,
    offset: float | None,
    curve: RadianceCurve | None,
) -> NDArray[np.float64]:
    if curve is None:
        return counts * (1.0 if scale is None else scale) + (0.0 if offset is None else offset)
    # Planck's law in a band with three fitted parameters, solved for T:
    # T_K = b / ln(r / (counts - offset) + f). At or below the offset there is no temperature.
    signal = counts - curve.offset
    with np.errstate(divide="ignore", invalid="ignore"):
        argument = np.where(signal > 0, curve.r / signal + curve.f, np.nan)
        kelvin = np.where(argument > 1, curve.b / np.log(argument), np.nan)
    out: NDArray[np.float64] = kelvin - ZERO_CELSIUS_K
    return out


@lru_cache(maxsize=8)
def _celsius_table(
    scale: float | None, offset: float | None, curve: RadianceCurve | None
) -> NDArray[np.float32]:
    table = _celsius(np.arange(65536, dtype=np.float64), scale, offset, curve)
    rounded: NDArray[np.float32] = table.astype(np.float32)
    rounded.setflags(write=False)
    return rounded
