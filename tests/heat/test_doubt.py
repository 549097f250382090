"""What drift removal may have left of itself is told where it is left."""

from __future__ import annotations

import numpy as np
import pytest

from hotspot.heat.calm import calm
from hotspot.heat.doubt import left_of_drift
from hotspot.heat.outline import LEAST_ERROR_PX, share_inside
from tests.heat.test_movers import BINS, COLS, ONSET_S, ROWS, T_S, binned, fitted

EDGE = np.array([(8.0, 6.0), (56.0, 6.0), (56.0, 42.0), (8.0, 42.0)])


def doubted(*, drift_k: float, off_px: float):
    """Return the fit, the doubt and the edge of a board that warms as a whole with the output.

    What drifts ends `off_px` from where the cold picture and the drawing have the edge: a bevelled
    edge is cold all the way and drifts as its flat does.
    """
    rng = np.random.default_rng(2)
    seen, drawn = (
        share_inside(EDGE + off_px, shape=(ROWS, COLS)),
        share_inside(EDGE, shape=(ROWS, COLS)),
    )
    course = drift_k * (1 - np.exp(-np.maximum(T_S - ONSET_S, 0) / 12.0))
    values = 0.02 * rng.standard_normal((BINS, ROWS, COLS)) + course[:, None, None] * seen
    cold = (20 + 2 * drawn + 0.3 * drawn * rng.standard_normal((ROWS, COLS))).astype(np.float32)
    bins = binned(values, cold)
    calmed = calm(bins, cold=cold, bad=np.zeros((ROWS, COLS), bool), on_board=drawn)
    fit = fitted(calmed)
    along_y, along_x = np.gradient(drawn)
    at_edge = np.hypot(along_x, along_y) > 0.2
    return fit, left_of_drift(calmed, fit.contrasts, fit.still), at_edge


@pytest.mark.parametrize("off_px", [0.15, 0.25])
def test_an_outline_that_is_a_little_off_leaves_no_more_than_is_doubted(off_px: float) -> None:
    assert off_px < LEAST_ERROR_PX
    fit, doubt, at_edge = doubted(drift_k=0.6, off_px=off_px)
    left = float(np.sqrt(np.mean(fit.maps[:, at_edge] ** 2, axis=1).max()))
    told = float(np.sqrt(np.mean(1.0 + doubt[at_edge] ** 2)))
    assert left > 2.0  # a board's edge that would pass for a row of spots
    assert told > 0.8 * left
    # Away from the edge it is not doubted.
    assert np.median(doubt[~at_edge]) < 0.3 * np.median(doubt[at_edge])


def test_a_board_that_does_not_drift_is_not_doubted_at_its_edge() -> None:
    _, doubt, at_edge = doubted(drift_k=0.0, off_px=0.25)
    assert np.median(doubt[at_edge]) < 1.0
