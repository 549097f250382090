"""Touch points: places on the board touched with a warm tip, read from the frames.

Touching the board with a warm tip (an iron's tip wrapped in tape, a fingertip, a hot-air pencil
held close) gives a spot that appears within a frame or two, stays for as long as the tip does, and
fades. Touching the same places, in the same order, as are clicked on the photo registers the two.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from hotspot.checks import FloatArray, check_positive

_SPOT_SIGMA_PX = 1.5  # a tip of 1 mm at 0.2-0.6 mm per pixel, with the lens's blur
# A frame is compared with one this many seconds before: a touch rises in less, drift takes longer.
_LOOK_BACK_S = 0.4
# Detection over a whole recording: 5e4 pixels times some 100 independent moments leave a Gaussian
# noise peak above 6.5 sigma once in 2000 recordings (from memory: the normal tail).
_LEAST_SNR = 6.5
# Events closer than this in time and place are one touch (the tip's bounce, its slow rise).
_SAME_S = 1.2
_SAME_PX = 6.0
# A touch is small; a hand that enters, a shutter or a bump changes more of the picture.
_LARGEST_SHARE = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class TouchEvent:
    """One touch.

    Attributes
    ----------
    t_s
        Time of the steepest rise, s.
    xy_px
        (2,) place in thermal px.
    cov
        (2, 2) covariance of the place, px².
    snr
        Rise over noise after smoothing to the size of a tip.
    """

    t_s: float
    xy_px: FloatArray
    cov: FloatArray
    snr: float


def find_touches(
    chunks: Iterable[tuple[NDArray[Any], FloatArray]],
    *,
    tip_sigma_px: float = _SPOT_SIGMA_PX,
    look_back_s: float = _LOOK_BACK_S,
) -> tuple[TouchEvent, ...]:
    """Return the touches in order of time.

    Every frame less the one `look_back_s` before it (drift and fixed pattern cancel), smoothed to
    the size of a tip; peaks above the frame's own noise are kept, and peaks of one touch merged.

    Parameters
    ----------
    chunks
        Pairs of frames (n, rows, cols) in °C or counts and their times (n,) in s, in order.
    tip_sigma_px
        Standard deviation of the warm spot.
    look_back_s
        Time over which a touch rises.
    """
    check_positive(tip_sigma_px, name="tip_sigma_px")
    check_positive(look_back_s, name="look_back_s")
    before: list[tuple[float, NDArray[np.float32]]] = []
    peaks: list[TouchEvent] = []
    for frames, times in chunks:
        for frame, t_s in zip(frames, times, strict=True):
            smooth = cv2.GaussianBlur(
                np.nan_to_num(np.asarray(frame, dtype=np.float32)), (0, 0), tip_sigma_px
            )
            before.append((float(t_s), np.asarray(smooth, dtype=np.float32)))
            while len(before) > 1 and before[1][0] <= t_s - look_back_s:
                before.pop(0)
            if t_s - before[0][0] >= 0.5 * look_back_s:
                peaks += _frame_peaks(smooth - before[0][1], float(t_s), tip_sigma_px)
    return _merge(peaks, look_back_s)


def _frame_peaks(rise: NDArray[Any], t_s: float, sigma_px: float) -> list[TouchEvent]:
    """Peaks of one difference picture against its own robust noise."""
    # A shutter or drift lifts the whole picture: its median is not a touch.
    level = rise - np.median(rise)
    noise = 1.4826 * float(np.median(np.abs(level)))
    if noise <= 0:
        noise = float(level.std()) + 1e-12
    snr = level / noise
    if float((snr > _LEAST_SNR).mean()) > _LARGEST_SHARE:
        return []
    size = 2 * int(np.ceil(2 * sigma_px)) + 1
    top = (snr == ndimage.maximum_filter(snr, size)) & (snr > _LEAST_SNR)
    out = []
    for row, col in np.argwhere(top):
        if not (2 <= row < snr.shape[0] - 2 and 2 <= col < snr.shape[1] - 2):
            continue
        s = level[row - 1 : row + 2, col - 1 : col + 2].astype(np.float64)
        hxx, hyy = s[1, 2] - 2 * s[1, 1] + s[1, 0], s[2, 1] - 2 * s[1, 1] + s[0, 1]
        if hxx >= 0 or hyy >= 0:
            continue
        shift = np.clip([-(s[1, 2] - s[1, 0]) / 2 / hxx, -(s[2, 1] - s[0, 1]) / 2 / hyy], -0.7, 0.7)
        peak = float(snr[row, col])
        # Centroid of a smoothed spot: its width over its SNR; a tenth of a pixel for the tip's own
        # shape, which no noise figure knows.
        variance = 2.0 * (sigma_px / peak) ** 2 + 0.1**2
        out.append(TouchEvent(t_s, np.array([col, row]) + shift, variance * np.eye(2), snr=peak))
    return out


def _merge(peaks: list[TouchEvent], look_back_s: float) -> tuple[TouchEvent, ...]:
    """One event a touch: the strongest peak of each cluster in time and place."""
    kept: list[TouchEvent] = []
    for peak in sorted(peaks, key=lambda p: -p.snr):
        same = (
            abs(peak.t_s - k.t_s) < _SAME_S + look_back_s
            and float(np.hypot(*(peak.xy_px - k.xy_px))) < _SAME_PX
            for k in kept
        )
        # While a tip is down its reflection and its holder are seen too, weaker: one tip at a time.
        at_once = (abs(peak.t_s - k.t_s) < look_back_s and peak.snr < 0.5 * k.snr for k in kept)
        if not any(same) and not any(at_once):
            kept.append(peak)
    return tuple(sorted(kept, key=lambda p: p.t_s))
