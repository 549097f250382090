"""Where the parts of the board lie in the thermal picture."""

from __future__ import annotations

import numpy as np

from hotspot.board import Board
from hotspot.checks import FloatArray
from hotspot.locate.parts import Place
from hotspot.register.registration import PlaneMap, Registration


def places_on_picture(board: Board | None, registration: Registration) -> tuple[Place, ...]:
    """Return the place of every part of the board, in its order; empty without a registration."""
    if board is None or registration.board_from_thermal is None:
        return ()
    thermal_from_board = registration.board_from_thermal.inverse()
    out = []
    for part in board.parts:
        centre = np.array([part.x_mm, part.y_mm])
        out.append(
            Place(
                ref=part.ref,
                xy_px=thermal_from_board.map(centre),
                cov_px2=thermal_from_board.point_cov(centre)
                + registration.least_sigma_px**2 * np.eye(2),
                outline_px=thermal_from_board.map(part.corners_mm()),
            )
        )
    return tuple(out)


def outline_at(places: tuple[Place, ...], xy_px: FloatArray) -> FloatArray | None:
    """Return the outline of the smallest part body under a point, or None."""
    if not places:
        return None
    corners = np.stack([place.outline_px for place in places])  # (parts, 4, 2)
    following = np.roll(corners, -1, axis=1)
    edges, rays = following - corners, xy_px - corners
    cross = edges[..., 0] * rays[..., 1] - edges[..., 1] * rays[..., 0]
    inside = np.all(cross >= 0, axis=1) | np.all(cross <= 0, axis=1)
    if not inside.any():
        return None
    twice = np.sum(
        corners[..., 0] * following[..., 1] - corners[..., 1] * following[..., 0], axis=1
    )
    return places[int(np.argmin(np.where(inside, np.abs(twice), np.inf)))].outline_px


def scale_mm_per_px(
    registration: Registration, *, shape: tuple[int, int], board: Board | None
) -> float | None:
    """Return mm per thermal pixel in the middle of the picture, or None when unknown."""
    to_board: PlaneMap | None = registration.board_from_thermal
    if to_board is None or board is None or board.units != "mm":
        return None
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    area = abs(float(np.linalg.det(to_board.jacobian(middle))))
    return float(np.sqrt(area)) if np.isfinite(area) and area > 0 else None
