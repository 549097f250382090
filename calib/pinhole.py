"""Blur from a pinhole in front of something warmer, or from any point of heat."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.special import ndtr

from calib.radiometry import Uncertain
from calib.sharpness import PIXEL_VARIANCE
from hotspot.checks import FloatArray, check_at_least
from hotspot.errors import InputError

# Height over the scatter of the rim below which a spot is guesswork.
_LEAST_CONTRAST = 8.0


@dataclass(frozen=True, slots=True, eq=False)
class SpotSharpness:
    """Blur from a pinhole or a point of heat, pixel included, the hole's own size taken off.

    Attributes
    ----------
    sigma_x_px, sigma_y_px
        Across and down.
    xy_px
        Centre in the picture given.
    """

    sigma_x_px: Uncertain
    sigma_y_px: Uncertain
    xy_px: tuple[float, float]


def measure_pinhole(picture: FloatArray, *, hole_px: float = 0.0) -> SpotSharpness:
    """Measure blur on a picture cut to one pinhole in front of something warmer (or cooler).

    Parameters
    ----------
    picture
        (rows, cols), 9 or more pixels each way.
    hole_px
        Diameter of the hole in pixels; its variance d²/16 is taken off.

    Raises
    ------
    InputError
        No spot, or a hole larger than the spot seen.
    """
    check_at_least(hole_px, bound=0.0, name="hole_px")
    image = np.asarray(picture, dtype=np.float64)
    rows, cols = image.shape
    if min(rows, cols) < 9:
        raise InputError(f"the region is {cols} x {rows} px", cure="Give 9 x 9 px or more")
    rim = np.concatenate([image[0], image[-1], image[:, 0], image[:, -1]])
    base, noise = float(np.median(rim)), 1.4826 * float(np.median(np.abs(rim - np.median(rim))))
    excess = image - base
    peak = int(np.argmax(np.abs(excess)))
    if abs(excess.ravel()[peak]) < _LEAST_CONTRAST * max(noise, 1e-12):
        raise InputError("no spot stands out", cure="Raise the contrast or record longer")
    y, x = np.mgrid[:rows, :cols].astype(np.float64)
    y0, x0 = divmod(peak, cols)

    def residual(p: FloatArray) -> FloatArray:
        # Gaussian blur of the lens, averaged over square pixels.
        sx, sy = math.exp(p[4]), math.exp(p[5])
        across = ndtr((x + 0.5 - p[2]) / sx) - ndtr((x - 0.5 - p[2]) / sx)
        along = ndtr((y + 0.5 - p[3]) / sy) - ndtr((y - 0.5 - p[3]) / sy)
        out: FloatArray = (p[0] + p[1] * across * along - image).ravel()
        return out

    start = np.array([base, float(excess.sum()), x0, y0, math.log(0.8), math.log(0.8)])
    fit = least_squares(residual, start, x_scale=np.maximum(np.abs(start), 0.3))
    inside = 2 <= fit.x[2] <= cols - 3 and 2 <= fit.x[3] <= rows - 3
    if not inside or math.exp(max(fit.x[4], fit.x[5])) > min(rows, cols) / 4:
        raise InputError(
            "no spot lies well inside the region", cure="Centre the region on the spot, wider"
        )
    rest = 2 * fit.cost / max(1, image.size - 6)
    jacobian = np.asarray(fit.jac)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * rest
    out = []
    for k in (4, 5):
        lens = math.exp(fit.x[k])
        variance = lens**2 - hole_px**2 / 16
        if variance < 0:
            raise InputError(
                f"a hole of {hole_px:g} px would look larger than the spot seen",
                cure="Check its size and the scale",
            )
        sigma = math.sqrt(variance + PIXEL_VARIANCE)
        out.append(Uncertain(sigma, lens**2 * math.sqrt(covariance[k, k]) / sigma))
    return SpotSharpness(out[0], out[1], (float(fit.x[2]), float(fit.x[3])))
