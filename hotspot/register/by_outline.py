"""The registration made better by the board's edge in the cold picture."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from hotspot.board import Board
from hotspot.checks import FloatArray
from hotspot.heat.outline import measure_outline
from hotspot.register.registration import PlaneMap, Registration

# An edge that contradicts the registration more than chance allows once in a thousand is another
# edge: of a holder, a shadow, or of a board that is no rectangle.
CONTRADICTION = 1e-3
# Iterations of the update: the map is nearly linear over the pixel or two it moves.
ROUNDS = 2


def board_corners_mm(board: Board | None) -> FloatArray | None:
    """Return the corners (4, 2) of a board of known size, mm, or None."""
    if board is None or board.width_mm is None or board.height_mm is None:
        return None
    w, h = board.width_mm, board.height_mm
    return np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])


def refined_by_outline(
    registration: Registration,
    *,
    board: Board | None,
    cold: NDArray[np.float32],
    bad: NDArray[np.bool_],
) -> tuple[Registration, FloatArray | None]:
    """Return the registration with what the board's edge adds to it, and the edge's corners.

    The edge is several hundred pixels long, and clicks are a few: each is weighted with its
    covariance (Kalman update of the map's parameters; Kay, vol. 1, ch. 12). Without a clear edge
    near where it is expected, or with one that contradicts the registration, it is left as it is.

    Parameters
    ----------
    registration
        From landmarks or otherwise.
    board
        The board; without a size in mm nothing is done.
    cold
        (rows, cols) cold picture.
    bad
        (rows, cols) pixels that say nothing.

    Returns
    -------
    registration
        The better one.
    corners_px
        (4, 2) the board's corners in the picture, or None where nobody knows them.
    """
    corners_mm = board_corners_mm(board)
    to_board = registration.board_from_thermal
    if board is None or corners_mm is None or to_board is None:
        return registration, None
    thermal_from_board = to_board.inverse()
    expected = thermal_from_board.map(corners_mm)
    if not np.all(np.isfinite(expected)):
        return registration, None
    found = measure_outline(expected, cold=cold, bad=bad)
    if found is None:
        return registration, expected
    better = _updated(thermal_from_board, corners_mm, found.corners_px, found.cov_px2)
    if better is None:
        return registration, expected
    to_board = better.inverse()
    photo_from_thermal = registration.photo_from_thermal
    if photo_from_thermal is not None:
        # How photo and board lie on one another stays as it is, its error counted already.
        photo_from_board = photo_from_thermal.after(thermal_from_board)
        photo_from_board = replace(photo_from_board, parameter_cov=np.zeros((8, 8)))
        photo_from_thermal = photo_from_board.after(to_board)
    corners_px = better.map(corners_mm)
    return (
        replace(
            registration,
            board_from_thermal=to_board,
            photo_from_thermal=photo_from_thermal,
            refined_by="the board's edge",
        ),
        corners_px,
    )


def _updated(
    thermal_from_board: PlaneMap, mm: FloatArray, seen_px: FloatArray, cov_px2: FloatArray
) -> PlaneMap | None:
    """Return the map with points seen at other places, or None if they contradict it."""
    current, prior = thermal_from_board, thermal_from_board.parameter_cov
    start = thermal_from_board.matrix.ravel()[:8]
    theta, cov = start, prior
    for i in range(ROUNDS):
        by_parameter = np.concatenate([current.parameter_derivative(p) for p in mm])
        innovation = (seen_px - current.map(mm)).ravel() + by_parameter @ (theta - start)
        spread = by_parameter @ prior @ by_parameter.T + cov_px2
        if i == 0:
            apart = float(innovation @ np.linalg.solve(spread, innovation))
            if chdtrc(len(innovation), apart) < CONTRADICTION:
                return None
        gain = np.linalg.solve(spread, by_parameter @ prior).T
        theta = start + gain @ innovation
        cov = prior - gain @ by_parameter @ prior
        matrix = np.append(theta, 1.0).reshape(3, 3)
        current = replace(current, matrix=matrix, parameter_cov=0.5 * (cov + cov.T))
    return current
