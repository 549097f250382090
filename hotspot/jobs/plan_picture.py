"""What a plan lets one expect to see: the picture of one frame, drawn from the same prediction."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.inject.plan import InjectionPlan
from hotspot.inject.prediction import apparent_rise_k, plate_rise_k

SIDE_PX = (96, 72)


def predict_picture(
    plan: InjectionPlan, *, t_s: float, frames: int, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Return the expected rise (72, 96) in K around the short, with the camera's noise.

    The board's own rise falls with the distance as the plate model says; the part stands on it with
    the predicted apparent rise; the lens blurs both; the noise is that of the mean of `frames`.

    Parameters
    ----------
    plan
        A plan that is not refused.
    t_s
        Time since switching on, > 0.
    frames
        Frames averaged.
    rng
        For the noise.
    """
    scenery, power_w = plan.scenery, plan.point.fault_w
    view, body = scenery.view, scenery.body
    columns, rows = SIDE_PX
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float64)
    x_mm = (x - columns // 2) * view.mm_per_px
    y_mm = (y - rows // 2) * view.mm_per_px
    radius_mm = np.maximum(np.hypot(x_mm, y_mm), body.radius_mm)
    time = np.array([t_s])
    steps = np.geomspace(body.radius_mm, radius_mm.max(), 24)
    plate = [float(plate_rise_k(scenery.plate, r, t_s=time, power_w=power_w)[0]) for r in steps]
    rise = view.emissivity * np.interp(radius_mm, steps, plate)
    blurred = cv2.GaussianBlur(rise, (0, 0), view.psf_sigma_px)
    peak_k = float(apparent_rise_k(scenery, t_s=time, power_w=power_w)[0])
    spot = np.exp(-0.5 * (np.hypot(x_mm, y_mm) / max(view.blur_mm, 0.5 * body.length_mm)) ** 2)
    blurred += max(0.0, peak_k - float(blurred[rows // 2, columns // 2])) * spot
    noise = 1e-3 * view.netd_mk / np.sqrt(max(frames, 1))
    out: NDArray[np.float32] = (blurred + noise * rng.standard_normal(rise.shape)).astype(
        np.float32
    )
    return out
