"""Pads that are restless: by them something mirrored is told from what only warms and cools."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

# A place is restless when it varies this much more than usual, large enough to be a pad rather than
# a pixel; fewer pads than this are no mirrored scene.
RESTLESS, PAD_PIXELS, FEWEST_PADS = 1.5, 6, 3
# Width over which restlessness is judged, px.
PAD_SIGMA_PX = 1.0


def smoothed(power: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return power (rows, cols) as seen over the width at which restlessness is judged."""
    out: NDArray[np.float32] = cv2.GaussianBlur(power, (0, 0), PAD_SIGMA_PX)  # type: ignore[assignment]
    return out


def is_mirrored(smooth: NDArray[np.float32], *, usual: float) -> bool:
    """Return whether enough pads are restless for something mirrored.

    Parameters
    ----------
    smooth
        (rows, cols) power of quiet contrasts, from `smoothed`.
    usual
        Power of noise.
    """
    return count_pads(smooth > RESTLESS**2 * usual) >= FEWEST_PADS


def count_pads(restless: NDArray[np.bool_]) -> int:
    """Return how many connected places (rows, cols) are large enough to be pads."""
    labels, pads = ndimage.label(restless)
    sizes = np.bincount(labels.reshape(-1), minlength=pads + 1)[1:]
    return int(np.sum(sizes >= PAD_PIXELS))
