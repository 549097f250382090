"""What a tilt of the camera does to a map that is too simple to hold it.

Two clicks, three, or all but one on a line say nothing of the perspective under which a board was
seen. The map leaves it out, and is the further off the farther from the clicks: that belongs into
its error, or a part beside the true one is named with confidence.
"""

from __future__ import annotations

import numpy as np

from hotspot.checks import FloatArray
from hotspot.register.fitting import similarity_basis
from hotspot.register.registration import PlaneMap

# Of a camera held or clamped about 10 deg off straight down: one axis is stretched against the
# other by (1 - cos t) / (1 + cos t), and at half the picture's width the perspective term is
# sin t * (half width / distance), 0.03 to 0.05 for lenses of 30 to 50 deg (as in `levels`).
STRETCH, PERSPECTIVE = 0.008, 0.05


def tilt_cov(
    matrix: FloatArray,
    source: FloatArray,
    *,
    model: str,
    mirrored: bool,
    shape: tuple[int, int] | None,
) -> FloatArray:
    """Return what an unseen tilt adds to the covariance of a map's first eight entries.

    A tilt moves the map, and the clicks, of which none is left over to tell, move it back as far
    as the model can: what remains is nothing at the clicks and grows away from them (first order).

    Parameters
    ----------
    matrix
        (3, 3) affine map source → destination.
    source
        (n, 2) clicks it was fitted to.
    model
        "similarity" or "affine".
    mirrored
        Whether it turns the plane over.
    shape
        (rows, cols) of the source's picture; as wide as the clicks reach when None.

    Returns
    -------
    ndarray
        (8, 8).

    Raises
    ------
    ValueError
        For another model.
    """
    if model not in ("similarity", "affine"):
        raise ValueError(f"model must be 'similarity' or 'affine', got {model!r}")
    centre = source.mean(axis=0)
    reach = float(np.hypot(*(source - centre).T).max())
    half_width = reach if shape is None else max(shape) / 2
    to_centre = np.array([[1, 0, -centre[0]], [0, 1, -centre[1]], [0, 0, 1.0]])
    back = matrix @ np.linalg.inv(to_centre)
    bends = [_unit(2, 0) * PERSPECTIVE / half_width, _unit(2, 1) * PERSPECTIVE / half_width]
    basis: FloatArray = np.eye(8)[:, :6]
    if model == "similarity":
        bends += [(_unit(0, 0) - _unit(1, 1)) * STRETCH, (_unit(0, 1) + _unit(1, 0)) * STRETCH]
        basis = similarity_basis(mirrored)
    plane = PlaneMap(matrix=matrix, parameter_cov=np.zeros((8, 8)))
    by_entries = plane.parameter_derivative(source).reshape(-1, 8)
    refit = np.linalg.pinv(by_entries @ basis) @ by_entries
    lefts = []
    for bend in bends:
        change = back @ bend @ to_centre
        moved = (change - matrix * change[2, 2]).ravel()[:8]
        lefts.append(moved - basis @ (refit @ moved))
    left = np.array(lefts)
    out: FloatArray = left.T @ left
    return out


def _unit(row: int, column: int) -> FloatArray:
    out = np.zeros((3, 3))
    out[row, column] = 1.0
    return out
