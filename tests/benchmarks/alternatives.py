"""What one would try with general-purpose libraries on the averaged difference picture.

All are given the true switching times, even where ours must find them.
"""

from __future__ import annotations

import warnings

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.feature import blob_log

SIGMA_PX = 1.3  # of a small part through the lens
# Each library's own threshold, set to about 5 sigma of the difference picture's noise, as its
# users would.
LEVEL = 5.0


def averaged_difference(frames: NDArray, t_s: NDArray, edges_s: tuple[float, ...]) -> NDArray:
    """Mean of the frames with the output on less mean of those with it off."""
    on = np.searchsorted(np.array(edges_s), t_s, side="right") % 2 == 1
    hot = frames[on].mean(axis=0, dtype=np.float64)
    return hot - frames[~on].mean(axis=0, dtype=np.float64)


def standardised(difference: NDArray) -> NDArray:
    middle = np.median(difference)
    sigma = 1.4826 * np.median(np.abs(difference - middle))
    return (difference - middle) / max(float(sigma), 1e-12)


def by_argmax(difference: NDArray) -> tuple[float, float] | None:
    """The largest pixel after a light blur; it always points at something."""
    blurred = cv2.GaussianBlur(difference, (0, 0), SIGMA_PX)
    row, column = np.unravel_index(int(np.argmax(blurred)), blurred.shape)
    return float(column), float(row)


def by_blob_log(difference: NDArray) -> tuple[float, float] | None:
    """scikit-image: Laplacian of Gaussian."""
    z = standardised(difference)
    # Response of a Gaussian spot of its own width is half its peak; that of white noise at the
    # smallest scale is about 0.4 sigma.
    found = blob_log(z, min_sigma=1.0, max_sigma=4.0, num_sigma=4, threshold=0.4 * LEVEL)
    return _strongest(z, [(x, y) for y, x, _ in found])


def by_simple_blob(difference: NDArray) -> tuple[float, float] | None:
    """OpenCV: thresholds on an 8-bit picture."""
    z = cv2.GaussianBlur(standardised(difference), (0, 0), SIGMA_PX)
    z = standardised(z)
    grey = np.clip(255 * z / max(float(z.max()), 2 * LEVEL), 0, 255).astype(np.uint8)
    settings = cv2.SimpleBlobDetector_Params()
    settings.filterByColor = True
    settings.blobColor = 255
    settings.filterByArea = True
    settings.minArea, settings.maxArea = 3.0, 2000.0
    settings.filterByCircularity = settings.filterByConvexity = settings.filterByInertia = False
    settings.minThreshold = float(255 * LEVEL / max(float(z.max()), 2 * LEVEL))
    settings.maxThreshold, settings.thresholdStep = 250.0, 10.0
    settings.minRepeatability = 1
    points = cv2.SimpleBlobDetector_create(settings).detect(grey)
    return _strongest(z, [p.pt for p in points])


def by_star_finder(difference: NDArray) -> tuple[float, float] | None:
    """photutils: DAOFIND of astronomy (Stetson 1987)."""
    from photutils.detection import DAOStarFinder

    z = standardised(difference)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        table = DAOStarFinder(threshold=LEVEL, fwhm=2.355 * SIGMA_PX)(z)
    if table is None:
        return None
    names = table.colnames
    x = table["x_centroid" if "x_centroid" in names else "xcentroid"]
    y = table["y_centroid" if "y_centroid" in names else "ycentroid"]
    return _strongest(z, list(zip(map(float, x), map(float, y), strict=True)))


def _strongest(z: NDArray, points: list[tuple[float, float]]) -> tuple[float, float] | None:
    smooth = cv2.GaussianBlur(z, (0, 0), SIGMA_PX)
    rows, cols = z.shape

    def height(point: tuple[float, float]) -> float:
        column = min(max(round(point[0]), 0), cols - 1)
        return float(smooth[min(max(round(point[1]), 0), rows - 1), column])

    return max(points, key=height, default=None)


ALTERNATIVES = {
    "largest pixel": by_argmax,
    "blob_log": by_blob_log,
    "SimpleBlobDetector": by_simple_blob,
    "DAOStarFinder": by_star_finder,
}
