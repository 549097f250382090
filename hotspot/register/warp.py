"""A thermal picture laid onto another one, its lens taken into account."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.register.fitting import fit_homography_algebraic
from hotspot.register.registration import PlaneMap


def warp_picture(
    picture: NDArray[Any], plane: PlaneMap, *, size: tuple[int, int], smooth: bool = False
) -> NDArray[Any]:
    """Return a picture as `plane` lays it onto one of `size`; zero outside.

    Parameters
    ----------
    picture
        (rows, cols) float32.
    plane
        From its pixels to those of the result.
    size
        (cols, rows) of the result.
    smooth
        Cubic interpolation instead of linear.
    """
    flags = cv2.INTER_CUBIC if smooth else cv2.INTER_LINEAR
    if plane.lens is None:
        return np.asarray(cv2.warpPerspective(picture, plane.matrix, size, flags=flags))
    x, y = np.meshgrid(np.arange(size[0], dtype=np.float64), np.arange(size[1], dtype=np.float64))
    source = plane.inverse().map(np.c_[x.ravel(), y.ravel()]).astype(np.float32)
    maps = source.reshape(size[1], size[0], 2)
    return np.asarray(cv2.remap(picture, maps[..., 0], maps[..., 1], flags))


def to_straight_matrix(plane: PlaneMap) -> FloatArray:
    """Return the (3, 3) homography nearest to a map, for pictures that cannot be bent.

    Exact without a lens; with one it is fitted over the picture, and off by a part of what the
    lens moves its corners.
    """
    if plane.lens is None:
        return plane.matrix
    seen = plane.lens.grid_px()
    return fit_homography_algebraic(seen, plane.map(seen))
