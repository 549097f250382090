"""From frames to what the cut-out asks: hottest pixel, largest rise, and whether it is alive."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.bench.cutout import Sight
from hotspot.profile import CameraProfile, Values
from hotspot.radiometry import has_celsius

Picture = NDArray[np.float32]

# A point of heat in the middle of a pixel gives each neighbour this share of it even through a
# lens as sharp as 0.3 px (standard deviation; integrated over square pixels: 0.0475 / 0.905).
# What its neighbours do not share is a bad pixel, not heat.
SHARED = 0.05


def hottest(picture: Picture, *, good: NDArray[np.bool_]) -> float:
    """Return the highest value that optics can have made; single bad pixels do not count.

    Parameters
    ----------
    picture
        (rows, cols) without NaN.
    good
        (rows, cols) False where a pixel is known to be bad.
    """
    level = cv2.medianBlur(picture, 5)
    excess = np.where(good, picture - level, np.float32(0.0))
    cross = np.array([[0, 0.25, 0], [0.25, 0, 0.25], [0, 0.25, 0]], np.float32)
    around = cv2.filter2D(excess, -1, cross, borderType=cv2.BORDER_REFLECT_101)
    shared = level + np.minimum(excess, np.maximum(around, 0.0) / SHARED)
    return float(np.max(shared))


class Lookout:
    """Makes a `Sight` of each frame of one camera.

    Parameters
    ----------
    profile
        What the camera's numbers mean, and its known bad pixels.
    """

    def __init__(self, profile: CameraProfile) -> None:
        self._celsius = has_celsius(profile)
        # Compressed display video may stand still although the camera is alive.
        self._may_freeze = profile.values in (Values.COUNTS, Values.CELSIUS)
        self._good = np.ones(profile.shape, bool)
        for x, y in profile.bad_pixels:
            self._good[y, x] = False
        self._previous: NDArray[Any] | None = None
        self._changed_at_s = 0.0

    def look(
        self, counts: NDArray[Any], *, values: Picture, rise: Picture | None, at_s: float
    ) -> Sight:
        """Return what one frame says.

        Parameters
        ----------
        counts
            As the camera gave it.
        values
            (rows, cols) in °C, or levels.
        rise
            (rows, cols) above cold; None without a baseline.
        at_s
            Time of arrival on the run's clock.
        """
        previous, self._previous = self._previous, counts
        if previous is None or not np.array_equal(previous, counts):
            self._changed_at_s = at_s
        return Sight(
            at_s=at_s,
            hottest_c=hottest(values, good=self._good) if self._celsius else None,
            hottest_k=(
                hottest(rise, good=self._good) if self._celsius and rise is not None else None
            ),
            changed_at_s=self._changed_at_s if self._may_freeze else None,
        )
