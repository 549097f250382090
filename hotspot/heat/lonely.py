"""Pixels that change alone: their level jumps now and then, and nothing around them follows.

No optics image heat on one pixel: even the sharpest give each neighbour a seventh of it. A sensor
pixel that wavers between two levels every half minute is calm from frame to frame, escapes every
test of blinking, and looks like a part switched on.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

# Time blocks into which the recording is gathered: level jumps are slow, noise averages out.
BLOCKS = 32
# Energy of a pixel's changes over noise from which they are judged, sigma^2 of a block: the share
# of a neighbour is then known to 0.06.
LEAST_ENERGY = 64.0
# Neighbours of heat share at least 0.14 of it (blur of 0.5 px), with any body under it 0.3.
LEAST_SHARED = 0.12


def find_lonely(
    values: NDArray[np.float32], *, segment: NDArray[np.int64], bad: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return pixels (rows, cols) whose level changes without their neighbours.

    Parameters
    ----------
    values
        (bins, pixels) float32 drift-free values.
    segment
        (bins,) offsets are free in each segment.
    bad
        (rows, cols) pixels known to be bad.
    """
    nothing = np.zeros_like(bad)
    if len(values) < BLOCKS // 2:
        return nothing
    size = -(-len(values) // BLOCKS)
    blocks: list[NDArray[np.float32]] = []
    free = 0
    for number in np.unique(segment):
        own = np.flatnonzero(segment == number)
        means = [values[part].mean(axis=0) for part in np.array_split(own, -(-len(own) // size))]
        level = np.mean(means, axis=0)
        blocks += [np.asarray(m - level, dtype=np.float32) for m in means]
        free += len(means) - 1
    if free < 4:
        return nothing
    change = np.where(bad, np.float32(0), np.stack(blocks).reshape(-1, *bad.shape))
    energy = np.einsum("tyx,tyx->yx", change, change)
    usual = float(np.median(energy[~bad])) / free
    if not usual > 0:
        return nothing
    excess = energy / usual - free
    kernel = np.array([[0, 1, 0], [1, 0, 1], [0, 1, 0]], dtype=np.float32)
    count = cv2.filter2D((~bad).astype(np.float32), -1, kernel, borderType=cv2.BORDER_CONSTANT)
    together = np.zeros(bad.shape)
    for picture in change:
        around = cv2.filter2D(picture, -1, kernel, borderType=cv2.BORDER_CONSTANT)
        together += around * picture / np.maximum(count, 1)
    shared = together / usual / np.maximum(excess, 1.0)
    out: NDArray[np.bool_] = ~bad & (excess > LEAST_ENERGY) & (shared < LEAST_SHARED)
    return out
