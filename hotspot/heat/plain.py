"""Warm less cold: the plain contrast, for display video whose scale the heat itself has stretched.

A camera that paints its picture with an automatic gain shows strong heat twice wrongly: the hottest
pixels stay at the top of the scale, and what the gain was is only known to some per cent, as the
cold structure it is measured by drowns. What is left of such heat when its time course has been
fitted is then in proportion to the heat, everywhere, and measured against that, no place stands
out. How the places compare is seen all the same: in the mean of the frames with the output on less
that of those before, against the noise of those before.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.bands import measure_bands, measure_quiet_bands
from hotspot.heat.bins import BinnedFrames
from hotspot.heat.calm import CalmBins
from hotspot.heat.drive import Drive
from hotspot.heat.fit import HeatFit, Maps, response_in
from hotspot.heat.noise import noise_components, robust_variance
from hotspot.heat.response import Contrasts
from hotspot.heat.still import find_still

# The output counts as on from this share of its largest level: the strongest steps of a ladder.
ON_LEVEL = 0.6
# What was before the output was first on ends so much earlier: moments that were read off the
# frames come up to some tenths of a second late, and a share of the cold time however long it is.
MARGIN_S, MARGIN_SHARE = 0.1, 0.1
# The hottest place is looked for through a Gaussian of this width, a spot's, px; its top is what
# it reaches for a tenth of the time.
PLACE_SIGMA_PX, TOP = 1.5, 0.9
# A place glows from this many times the largest that noise shows anywhere in a bin (some 4.5 sigma
# of it) on; the first seconds, which a technician leaves cold, are the measure.
GLOW, GLOW_COLD_S = 3.0, 2.5
# Fewer bins before, or with the output on, are no measure of anything.
FEWEST_COLD, FEWEST_WARM = 8, 3
# Slow cosines over the cold bins that tell their noise.
MOST_QUIET = 16


def fit_plainly(
    calm_bins: CalmBins, drive: Drive, *, frame_t_s: FloatArray, logged: bool
) -> HeatFit | None:
    """Return the one contrast warm less cold, with the noise of the cold frames.

    None where there is too little before the injection, or of it.

    Parameters
    ----------
    calm_bins
        Drift-free bins with their noise.
    drive
        Heating power over time.
    frame_t_s
        (n,) times of the frames that were given to the bins, left-out ones included.
    logged
        Whether the drive was written down. Of one that was read off the frames only the beginning
        is believed: when the rest of it was is told by the hottest place.
    """
    bins = calm_bins.bins
    if not (drive.level > 0).any():
        return None
    atoms, body, spread = response_in(bins, drive, frame_t_s=frame_t_s)
    first_s, onset_s = float(bins.t_s[0]), float(drive.t_s[np.argmax(drive.level > 0)])
    cold = bins.t_s < onset_s - MARGIN_S - MARGIN_SHARE * (onset_s - first_s)
    good = ~calm_bins.bad.reshape(-1)
    if np.count_nonzero(cold) < FEWEST_COLD:
        return None
    level = bins.binned(_levels(drive, frame_t_s))
    if not logged:
        level = _hottest_course(bins, cold=cold, after=bins.t_s > onset_s, bad=calm_bins.bad)
    warm = level > ON_LEVEL
    if np.count_nonzero(warm) < FEWEST_WARM:
        return None
    covariance = _covariance(bins, cold=cold, good=good)
    weight = _warm_less_cold(warm, cold=cold, covariance=covariance)
    weights, quiet = weight[None], _quiet_contrasts(cold, bins.frames, covariance)
    contrasts = Contrasts(
        weights=weights,
        body=weights @ body.T,
        spread=np.einsum("kb,tab->kta", weights, spread),
        quiet=quiet,
        courses=(level / float(weight @ level))[None],
    )
    still = find_still(
        calm_bins.drift,
        quiet=quiet,
        signal=weights,
        maps=(weights.astype(np.float32) @ bins.values).reshape(-1, *bins.shape),
        good=good,
    )

    def seen_by(of: FloatArray) -> NDArray[np.float32]:
        flat = of.astype(np.float32) @ bins.values + still.seen_by(of)
        return np.asarray(flat.reshape(-1, *bins.shape), dtype=np.float32)

    maps, quiet_maps = seen_by(weights), seen_by(quiet)
    bands = measure_quiet_bands(
        quiet_maps,
        quiet=quiet,
        weights=weights,
        covariance=covariance,
        components=noise_components(bins.t_s, frames=bins.frames),
        bad=calm_bins.bad,
    )
    return HeatFit(
        maps=maps,
        quiet=quiet_maps,
        contrasts=contrasts,
        atoms=atoms,
        body=body,
        spread=spread,
        covariance=covariance,
        quiet_bands=bands,
        bands=measure_bands(bands, maps=maps, bad=calm_bins.bad),
        still=still,
        doubt=np.zeros(bins.shape, dtype=np.float32),
        free=np.zeros((len(bins.t_s), 0)),
        moved_by=0,
        as_it_moves=Maps(signal=maps, quiet=quiet_maps),
    )


def find_glow(calm_bins: CalmBins) -> float | None:
    """Return from when on a place glows far above all that was seen at first, s, or None.

    Parameters
    ----------
    calm_bins
        Drift-free bins.
    """
    bins = calm_bins.bins
    first = bins.t_s < bins.t_s[0] + GLOW_COLD_S
    if np.count_nonzero(first) < FEWEST_COLD or first.all():
        return None
    base = bins.values[first].mean(axis=0)

    def brightest(flat: NDArray[np.float32]) -> float:
        picture = np.where(calm_bins.bad, np.float32(0), (flat - base).reshape(bins.shape))
        return float(cv2.GaussianBlur(picture, (0, 0), PLACE_SIGMA_PX).max())

    course = np.array([brightest(flat) for flat in bins.values])
    glows = course > GLOW * np.median(course[first])
    # Before it goes on glowing it may flicker once: a blended frame, a copy.
    held = np.convolve(glows, np.ones(FEWEST_WARM), mode="full")[FEWEST_WARM - 1 :] == FEWEST_WARM
    return float(bins.t_s[np.argmax(held)]) if held.any() and not glows[first].any() else None


def _levels(drive: Drive, t_s: FloatArray) -> FloatArray:
    """Return the drive's level at times (n,)."""
    at = np.searchsorted(drive.t_s, t_s, side="right") - 1
    out: FloatArray = np.where(at >= 0, drive.level[np.maximum(at, 0)], 0.0)
    return out


def _hottest_course(
    bins: BinnedFrames,
    *,
    cold: NDArray[np.bool_],
    after: NDArray[np.bool_],
    bad: NDArray[np.bool_],
) -> FloatArray:
    """Return the course of the place that is hottest afterwards: 0 before, 1 at its top."""
    if not after.any():
        return np.zeros(len(after))
    rise = bins.values[after].mean(axis=0) - bins.values[cold].mean(axis=0)
    picture = np.where(bad, np.float32(0), rise.reshape(bins.shape))
    smooth = cv2.GaussianBlur(picture, (0, 0), PLACE_SIGMA_PX)
    row, column = np.unravel_index(int(np.argmax(smooth)), smooth.shape)
    window = np.zeros(bins.shape, dtype=bool)
    window[max(0, row - 1) : row + 2, max(0, column - 1) : column + 2] = True
    course = bins.values[:, (window & ~bad).reshape(-1)].mean(axis=1)
    course = np.where(after, course - course[cold].mean(), 0.0)
    out: FloatArray = course / max(float(np.quantile(course[after], TOP)), 1e-12)
    return np.clip(out, 0.0, 1.0)


def _mean_over(bins: NDArray[np.bool_], frames: NDArray[np.int64]) -> FloatArray:
    """Return the weights of the mean over the frames of some bins."""
    share: FloatArray = bins * frames / np.sum(bins * frames)
    return share


def _warm_less_cold(
    warm: NDArray[np.bool_], *, cold: NDArray[np.bool_], covariance: FloatArray
) -> FloatArray:
    """Return the weights (bins,) of the warm bins less the cold ones, of unit noise.

    Generalised least squares of one step between them (Aitken; Kay, Fundamentals of Statistical
    Signal Processing, vol. 1, ch. 4). In one segment that is the difference of the means; where a
    shutter left other offsets, what lies on one side of it counts.
    """
    used = warm | cold
    seen = np.linalg.solve(
        covariance[np.ix_(used, used)], np.column_stack([warm[used], np.ones(used.sum())])
    )
    step, level = seen.T
    out = np.zeros(len(warm))
    out[used] = step - level * (step.sum() / level.sum())
    out /= np.sqrt(out @ covariance @ out)
    return out


def _covariance(
    bins: BinnedFrames, *, cold: NDArray[np.bool_], good: NDArray[np.bool_]
) -> FloatArray:
    """Return the (bins, bins) noise of a pixel: white as in the cold, and segments' own offsets.

    A shutter leaves each pixel another offset, of the order of a frame's noise.
    """
    frames = bins.frames[cold]
    steps = robust_variance(np.diff(bins.values[cold], axis=0), good=good)
    each = steps / (1 / frames[1:] + 1 / frames[:-1])
    variance = max(float(np.median(each)), 1e-12)
    out: FloatArray = np.diag(variance / bins.frames)
    if len(np.unique(bins.segment)) > 1:
        out = out + variance * (bins.segment[:, None] == bins.segment[None, :])
    return out


def _quiet_contrasts(
    cold: NDArray[np.bool_], frames: NDArray[np.int64], covariance: FloatArray
) -> FloatArray:
    """Return orthonormal contrasts (r, bins) among the cold bins."""
    count = int(np.count_nonzero(cold))
    phase = np.pi * (np.cumsum(cold) - 0.5) / count
    mean = _mean_over(cold, frames)
    found: list[FloatArray] = []
    for j in range(1, min(MOST_QUIET, count - 2) + 1):
        own = np.where(cold, np.cos(j * phase), 0.0) * frames
        own = own - mean * own.sum()
        for other in found:
            own = own - (own @ covariance @ other) * other
        found.append(own / np.sqrt(own @ covariance @ own))
    return np.array(found)
