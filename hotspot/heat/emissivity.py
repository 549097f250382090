"""How strongly each pixel shows heat: the emissivity pattern, read off the cold picture.

Bare metal (solder, cans) shows a tenth of the heat that solder mask shows. A cold board that is a
little warmer or colder than what it mirrors displays its emissivity: apparent temperature
= e T_board + (1 - e) T_mirrored. The pattern is used as a weight only, and only where the cold
picture has contrast enough; its scale is set by the two usual ends, mask and bare metal.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

# Bare metal shows this much less heat than solder mask: emissivities of about 0.12 and 0.9
# (Incropera, Fundamentals of Heat and Mass Transfer, table A.11; bench values, from memory).
METAL_DEPTH = 0.85
# Contrast of the pattern must exceed the pixels' own fixed pattern by this factor.
LEAST_CONTRAST = 8.0
# Departures from the mask within this many sigma of the fixed pattern are no pattern.
DEAD_ZONE = 3.0
# Share of the pixels at the far end that set the scale: metal is rare on small boards.
FAR_PERCENT = 0.7


def estimate_emissivity(
    cold: NDArray[np.float32], *, bad: NDArray[np.bool_]
) -> NDArray[np.float32] | None:
    """Return how much of the heat each pixel shows, 1 for solder mask, or None without contrast.

    Parameters
    ----------
    cold
        (rows, cols) cold picture.
    bad
        (rows, cols) pixels that say nothing.
    """
    good = ~bad & np.isfinite(cold)
    if good.sum() < 500:
        return None
    filled = np.where(good, cold, np.float32(np.median(cold[good]))).astype(np.float32)
    calm = cv2.medianBlur(filled, 3)
    rough = filled - calm
    pattern_sigma = 1.4826 * float(np.median(np.abs(rough[good]))) + 1e-9
    plateau = float(np.median(calm[good]))
    low, high = np.percentile(calm[good], (FAR_PERCENT, 100 - FAR_PERCENT))
    down, up = plateau - float(low), float(high) - plateau
    contrast = max(down, up)
    if contrast < LEAST_CONTRAST * pattern_sigma:
        return None
    departure = (plateau - filled) if down >= up else (filled - plateau)
    # Single bad values must not become metal: the pattern follows the median where they differ.
    steady = (plateau - calm) if down >= up else (calm - plateau)
    departure = np.where(np.abs(rough) > 4 * pattern_sigma, 0.5 * (departure + steady), departure)
    zone = DEAD_ZONE * pattern_sigma
    share = np.clip((departure - zone) / max(contrast - zone, 1e-9), 0.0, 1.0)
    out: NDArray[np.float32] = (1.0 - METAL_DEPTH * share).astype(np.float32)
    out[bad] = 1.0
    return out
