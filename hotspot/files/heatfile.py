"""The heat map as a TIFF of floats, for other programs to measure in."""

from __future__ import annotations

import io
import json
import struct
from pathlib import Path

import numpy as np
import tifffile
from numpy.typing import NDArray

from hotspot.errors import InputError
from hotspot.heat.heatmap import HeatMap

# What a reader of TIFF raises on damage.
_DAMAGE = (tifffile.TiffFileError, ValueError, LookupError, TypeError, OSError, struct.error,
           RuntimeError, AttributeError, AssertionError)  # fmt: skip


def save_heat(path: Path, heat: HeatMap) -> None:
    """Save the rise above cold as one float32 page (rows, cols), in K or relative units.

    Pixels without a valid value are NaN. The description is JSON: what, unit, and the median
    standard error of a pixel.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    rise = np.where(heat.valid, heat.rise_k, np.nan).astype(np.float32)
    sigma = heat.sigma_k[heat.valid & np.isfinite(heat.sigma_k)]
    description = {
        "quantity": "temperature rise above the cold baseline",
        "unit": heat.unit,
        "median_standard_error": float(np.median(sigma)) if sigma.size else None,
    }
    tifffile.imwrite(
        path,
        rise,
        photometric="minisblack",
        description=json.dumps(description),
        metadata=None,
        software="hotspot",
    )


def load_heat_picture(data: bytes, *, where: str = "heat.tif") -> tuple[NDArray[np.float32], str]:
    """Return the rise above cold (rows, cols), NaN where a pixel is bad, and its unit.

    Raises
    ------
    InputError
        If it is no file that `save_heat` made.
    """
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as file:
            page = file.pages.first
            rise, unit = page.asarray(), json.loads(page.description)["unit"]
    except _DAMAGE as err:
        raise InputError("is no heat map", where=where, cure="Analyse the recording again") from err
    if rise.ndim != 2 or rise.dtype != np.float32:
        raise InputError("is no heat map", where=where, cure="Analyse the recording again")
    return rise, str(unit)
