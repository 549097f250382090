"""Where a spot is, to a fraction of a pixel, with an honest error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.locate.detect import Scores

# Templates whose log-likelihood is this far below the best say nothing about the position.
CONSIDER_NATS = 8.0
# Each template's own maximum is looked for this far from the common one, px.
REACH_PX = 3
# What no template models: bodies that are not round, emissivity that is not even, copper that
# leads more to one side, a sensor grid. Weak spots on boards of all kinds (36 recordings of
# `tests.benchmarks.exam`, SNR 5 to 30): with 0.1 px 88 % of the ellipses of 95 % held the truth,
# with 0.2 px 94 %.
SYSTEMATIC_PX = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class Centre:
    """A spot's position.

    Attributes
    ----------
    xy_px, cov_px2
        (2,) and (2, 2).
    snr
        Largest matched-filter SNR of the family.
    template
        Index of the template that reaches it.
    at_edge
        Whether the maximum lies on the border of the picture.
    """

    xy_px: FloatArray
    cov_px2: FloatArray
    snr: float
    template: int
    at_edge: bool = False


def log_evidence(z: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return log mean over templates (axis 0) of exp(z^2 / 2) for heating, 1 for cooling."""
    half = np.maximum(z, np.float32(0))
    half *= half
    half *= np.float32(0.5)
    top = half.max(axis=0)
    # Single precision halves the time, and loses a ten-millionth of the largest score.
    half -= top
    np.exp(half, out=half)
    out: NDArray[np.float64] = top + np.log(np.mean(half, axis=0, dtype=np.float64))
    return out


def find_peak(scores: Scores, *, allowed: NDArray[np.bool_]) -> tuple[int, int, int]:
    """Return (template, row, column) of the largest SNR among allowed pixels."""
    best = np.where(allowed, scores.z.max(axis=0), -np.inf)
    row, column = np.unravel_index(int(np.argmax(best)), best.shape)
    template = int(np.argmax(scores.z[:, row, column]))
    return template, int(row), int(column)


def measure_centre(
    scores: Scores, *, row: int, column: int, systematic_px: float = SYSTEMATIC_PX
) -> Centre:
    """Return the position of the spot whose largest pixel is (row, column).

    The maximum-likelihood position of each plausible template, weighted with its likelihood. The
    covariance is the inverse Fisher information (SNR^2 times the gradient covariance of the
    filter; Kay, vol. 1, ch. 3) plus the scatter between templates and a systematic part.
    """
    rows, cols = scores.z.shape[1:]
    top, left = max(1, row - REACH_PX), max(1, column - REACH_PX)
    bottom, right = min(rows - 2, row + REACH_PX), min(cols - 2, column + REACH_PX)
    at_edge = row in (0, rows - 1) or column in (0, cols - 1)
    window = scores.z[:, top : bottom + 1, left : right + 1]
    peaks = window.reshape(len(window), -1).max(axis=1).astype(np.float64)
    order = np.flatnonzero(np.maximum(peaks, 0.0) ** 2 >= peaks.max() ** 2 - 2 * CONSIDER_NATS)
    points, covs, logs = [], [], []
    for m in order:
        if peaks[m] <= 0:
            continue
        i, j = np.unravel_index(int(np.argmax(window[m])), window[m].shape)
        y0, x0 = top + int(i), left + int(j)
        patch = scores.z[m, y0 - 1 : y0 + 2, x0 - 1 : x0 + 2].astype(np.float64)
        offset = _vertex(patch)
        points.append([x0 + offset[0], y0 + offset[1]])
        covs.append(np.linalg.inv(peaks[m] ** 2 * scores.curvature[m]))
        logs.append(0.5 * float(peaks[m]) ** 2)
    weight = np.exp(np.array(logs) - max(logs))
    weight /= weight.sum()
    xy = np.average(points, axis=0, weights=weight)
    scatter = np.array(points) - xy
    cov = np.einsum("m,mij->ij", weight, np.array(covs))
    cov += np.einsum("m,mi,mj->ij", weight, scatter, scatter)
    cov += systematic_px**2 * np.eye(2)
    best = int(order[np.argmax(peaks[order])])
    return Centre(xy_px=xy, cov_px2=cov, snr=float(peaks.max()), template=best, at_edge=at_edge)


def _vertex(patch: FloatArray) -> FloatArray:
    """Vertex (x, y) of the paraboloid through a 3 x 3 patch, at most one pixel away."""
    gx = (patch[1, 2] - patch[1, 0]) / 2
    gy = (patch[2, 1] - patch[0, 1]) / 2
    hxx = patch[1, 2] - 2 * patch[1, 1] + patch[1, 0]
    hyy = patch[2, 1] - 2 * patch[1, 1] + patch[0, 1]
    hxy = (patch[2, 2] - patch[2, 0] - patch[0, 2] + patch[0, 0]) / 4
    hessian = np.array([[hxx, hxy], [hxy, hyy]])
    if hxx >= 0 or hyy >= 0 or np.linalg.det(hessian) <= 0:
        return np.zeros(2)
    out: FloatArray = np.clip(-np.linalg.solve(hessian, [gx, gy]), -1.0, 1.0)
    return out
