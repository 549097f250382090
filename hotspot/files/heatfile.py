"""The heat map as a TIFF of floats, for other programs to measure in."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import tifffile

from hotspot.heat.heatmap import HeatMap


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
