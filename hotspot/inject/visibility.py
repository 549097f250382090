"""When the heated part stands out from the camera's noise."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from hotspot.inject.prediction import Floats, Scenery, apparent_rise_k, pulsed_amplitude_k

# Averaging a step response ends at the camera's own drift; 5 mK after 10 s, growing with the root
# of time, is a good uncooled camera after its warm-up (common practice, no source).
DRIFT_K_AT_10_S = 0.005
THRESHOLD_SIGMA = 5.0  # one false alarm in twenty over 640 × 480 pixels needs 5.1 (Šidák)
STEP_MAX_S = 60.0
PULSED_MAX_S = 1800.0


@dataclass(frozen=True, slots=True)
class Visibility:
    """When the part stands out from the noise; None means not within the time looked at.

    Attributes
    ----------
    one_frame_s
        In a single frame, less the cold baseline.
    averaged_s
        In the mean of all frames since switching on.
    pulsed_s
        In a pulse train, demodulated; whole periods, at least two.
    needed_w
        Power that would show within 10 s of averaging.
    """

    one_frame_s: float | None
    averaged_s: float | None
    pulsed_s: float | None
    needed_w: float


_GRID_S: Floats = np.geomspace(0.04, STEP_MAX_S, 90)


def predict_visibility(
    scenery: Scenery, *, power_w: float, period_s: float = 10.0, allowed_s: float = STEP_MAX_S
) -> Visibility:
    """Return when a part that takes `power_w` stands out.

    Thresholds are five standard errors: of one frame against the baseline; of the mean of n frames
    against it, drift added; of a pulse train's fundamental with known phase, √(2/n) NETD.
    """
    view = scenery.view
    noise_k = view.netd_mk * 1e-3
    per_watt, mean_per_watt = _curves_k_w(scenery)
    base = 1.0 / view.cold_frames
    one = THRESHOLD_SIGMA * noise_k * math.sqrt(1.0 + base)
    frames = np.maximum(1.0, np.floor(_GRID_S * view.frame_rate_hz))
    drift_k = DRIFT_K_AT_10_S * np.sqrt(_GRID_S / 10.0)
    averaged = THRESHOLD_SIGMA * np.sqrt(noise_k**2 * (1.0 / frames + base) + drift_k**2)
    at_10 = int(np.searchsorted(_GRID_S, 10.0))
    amplitude = power_w * _amplitude_k_w(scenery, period_s)
    return Visibility(
        one_frame_s=_first(power_w * per_watt >= one, allowed_s),
        averaged_s=_first(power_w * mean_per_watt >= averaged, allowed_s),
        pulsed_s=_pulsed_s(amplitude, noise_k, period_s, view.frame_rate_hz),
        needed_w=float(np.min(averaged[: at_10 + 1] / mean_per_watt[: at_10 + 1])),
    )


# The steps of one ladder look at one scenery: keep its curves for one watt.
@lru_cache(maxsize=32)
def _curves_k_w(scenery: Scenery) -> tuple[Floats, Floats]:
    per_watt = apparent_rise_k(scenery, t_s=_GRID_S)
    return per_watt, np.maximum.accumulate(_running_mean(per_watt))


@lru_cache(maxsize=32)
def _amplitude_k_w(scenery: Scenery, period_s: float) -> float:
    return pulsed_amplitude_k(scenery, period_s=period_s)


def _running_mean(values: Floats) -> Floats:
    steps = np.diff(_GRID_S, prepend=0.0)
    middle = np.concatenate(([values[0] / 2.0], (values[1:] + values[:-1]) / 2.0))
    mean: Floats = np.cumsum(middle * steps) / _GRID_S
    return mean


def _first(seen: NDArray[np.bool_], allowed_s: float) -> float | None:
    hits = np.flatnonzero(seen & (allowed_s >= _GRID_S))
    return float(_GRID_S[hits[0]]) if hits.size else None


def _pulsed_s(amplitude_k: float, noise_k: float, period_s: float, rate_hz: float) -> float | None:
    most_frames = PULSED_MAX_S * rate_hz
    # n frames show an amplitude of 5·NETD·√(2/n); compared before it is squared: no overflow.
    if amplitude_k <= THRESHOLD_SIGMA * noise_k * math.sqrt(2.0 / most_frames):
        return None
    frames = 2.0 * (THRESHOLD_SIGMA * noise_k / amplitude_k) ** 2
    length_s = max(2, math.ceil(frames / rate_hz / period_s)) * period_s
    return length_s if length_s <= PULSED_MAX_S else None
