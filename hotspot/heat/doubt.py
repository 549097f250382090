"""What may be left of drift that was taken out: doubt that no measured noise includes."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.bins import BinnedFrames
from hotspot.heat.calm import CalmBins
from hotspot.heat.drift import BOARD_ITSELF, Drift
from hotspot.heat.outline import LEAST_ERROR_PX
from hotspot.heat.response import Contrasts, whitening
from hotspot.heat.still import Still

# Drift of these kinds is taken out through the pattern of the cold picture ...
THROUGH_THE_PATTERN = ("structure", "board", "fine", "coarse", "shift", "mirror")
# ... and up to this share of it stays: emissivities read off a cold picture are good to about
# that, for part of its contrast is temperature (the scatter of bench values, from memory).
PATTERN_ERROR = 0.15
# ... of what moves in a place by courses left free, this share may stay: metal at the far end of a
# board followed a lamp to 0.5 to 0.9 %.
COURSE_ERROR = 0.02
# What is wider than this is known from many pads together, and left to the noise of the bands, px.
PAD_SIGMA_PX = 4.0


def left_of_drift(calm_bins: CalmBins, contrasts: Contrasts, still: Still) -> NDArray[np.float32]:
    """Return the scatter of what drift removal may have left of itself in a signal contrast.

    Drift that is seen through the emissivity pattern is taken out with the pattern of the cold
    picture, and that is not quite the same: a cold place is dark because it mirrors or because it
    is cold. What was taken out in step with the injection tells how much may be left, pad by pad.
    """
    drift, shape = calm_bins.drift, calm_bins.bins.shape
    pads = np.array([name.startswith(THROUGH_THE_PATTERN) for name in drift.names])
    amounts = (contrasts.weights @ drift.coefficients).astype(np.float32)
    taken = amounts[:, pads] @ drift.patterns[:, pads].T - still.seen_by(contrasts.weights)
    power = np.zeros(shape, dtype=np.float32)
    for picture in taken.reshape(-1, *shape):
        fine = picture - cv2.GaussianBlur(picture, (0, 0), PAD_SIGMA_PX)
        power = np.maximum(power, cv2.GaussianBlur(fine * fine, (0, 0), 1.0))
    return np.asarray(
        np.sqrt(PATTERN_ERROR**2 * power + _left_at_the_edge(drift, amounts, shape=shape)),
        dtype=np.float32,
    )


def _left_at_the_edge(
    drift: Drift, amounts: NDArray[np.float32], *, shape: tuple[int, int]
) -> NDArray[np.float32]:
    """Return the variance of what an outline that is a little off leaves along the board's edge.

    What the board does and the bench does not is taken out up to the edge as it is drawn; patterns
    that go the other way may hide in the sum of all how much that was.
    """
    if BOARD_ITSELF not in drift.names:
        return np.zeros(shape, dtype=np.float32)
    board = drift.names.index(BOARD_ITSELF)
    along_y, along_x = np.gradient(drift.patterns[:, board].reshape(shape))
    most = np.float32(LEAST_ERROR_PX * np.abs(amounts[:, board]).max(initial=0.0))
    return np.asarray(most**2 * (along_x**2 + along_y**2), dtype=np.float32)


def left_of_courses(
    free: FloatArray, *, bins: BinnedFrames, covariance: FloatArray
) -> NDArray[np.float32]:
    """Return the scatter of what courses that were left free may leave in a signal contrast.

    Places that follow one lamp or one wind do so a little early or late, each in its own way.
    """
    if not free.shape[1]:
        return np.zeros(bins.shape, dtype=np.float32)
    heard = free.T @ whitening(covariance, segment=bins.segment)
    root = np.linalg.cholesky(heard @ free)
    seen = np.linalg.solve(root, heard).astype(np.float32) @ bins.values
    power = np.sum(seen**2, axis=0).reshape(bins.shape) - np.float32(len(seen))
    around = cv2.GaussianBlur(power, (0, 0), 1.0)
    return np.asarray(COURSE_ERROR * np.sqrt(np.maximum(around, 0)), dtype=np.float32)
