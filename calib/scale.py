"""Millimetres per pixel from a straight strip of known width."""

from __future__ import annotations

import math

import numpy as np

from calib.radiometry import Uncertain
from calib.sharpness import fit_edge_line
from hotspot.checks import FloatArray, check_positive
from hotspot.errors import InputError

_GROUPS = 6
_LINES = 6
# Slopes of the two edges, fitted in blocks of a few lines, differ by some hundredths at worst.
_PARALLEL = 0.1


def measure_strip(
    picture: FloatArray, *, width_mm: float, width_sigma_mm: float = 0.0
) -> Uncertain:
    """Return mm per pixel from a picture cut to one straight strip.

    Parameters
    ----------
    picture
        (rows, cols) with the strip's two edges inside, running down or across the picture.
    width_mm, width_sigma_mm
        Width of the strip, such as tape measured with a caliper.

    Raises
    ------
    InputError
        No strip with two parallel edges in the region.

    Notes
    -----
    Both edges are fitted with straight lines (`fit_edge_line`); the width is their distance along
    the normal. The strip should be 8 px wide or more, so that one edge does not see the other.
    The error comes from the scatter of six blocks of lines.
    """
    check_positive(width_mm, name="width_mm")
    image = np.asarray(picture, dtype=np.float64)
    if image.ndim != 2 or min(image.shape) < 12 or not np.isfinite(image).all():
        raise InputError("the region is too small or holds no numbers", cure="Give 24 px or more")
    level = image - np.median(image)
    if level.mean(axis=0).std() < level.mean(axis=1).std():
        image = image.T
    width_px = _width(image)
    # Widths of separate blocks of lines scatter as the whole does, times the root of their number.
    parts = [_width(block) for block in np.array_split(image, _GROUPS) if len(block) >= _LINES]
    scatter = float(np.std(parts, ddof=1)) / math.sqrt(len(parts)) if len(parts) > 1 else math.nan
    if not math.isfinite(scatter):
        raise InputError("the strip is too short", cure=f"Show {2 * _LINES} px of its length")
    relative = math.hypot(scatter / width_px, width_sigma_mm / width_mm)
    scale = width_mm / width_px
    return Uncertain(scale, scale * relative)


def _width(image: FloatArray) -> float:
    profile = np.median(image, axis=0)
    outside = 0.5 * (np.median(profile[:3]) + np.median(profile[-3:]))
    excess = np.abs(profile - outside)
    inside = np.flatnonzero(excess > 0.5 * excess.max())
    middle = round(float(inside.mean()))
    if middle < 8 or middle > image.shape[1] - 9:
        raise InputError(
            "the strip is not inside the region", cure="Centre the region on the strip, wider"
        )
    (lean, left), (other, right) = (
        fit_edge_line(image[:, : middle + 1], least_shift_px=0.0),
        fit_edge_line(image[:, middle:], least_shift_px=0.0),
    )
    if abs(lean - other) > _PARALLEL:
        raise InputError("the two edges are not parallel", cure="Use a strip of even width")
    centre = 0.5 * (len(image) - 1)
    gap = middle + right + other * centre - left - lean * centre
    return float(gap / math.hypot(1.0, 0.5 * (lean + other)))
