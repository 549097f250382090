"""Binned frames with the shared drift taken out, and the noise that is left."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.bins import BinnedFrames
from hotspot.heat.drift import Drift, build_patterns, find_restless, remove_drift
from hotspot.heat.lonely import find_lonely
from hotspot.heat.movers import find_movers
from hotspot.heat.noise import TemporalNoise, fit_temporal_noise
from hotspot.heat.response import whitening


@dataclass(frozen=True, slots=True, eq=False)
class CalmBins:
    """Binned frames with the shared drift taken out, and the noise that is left.

    Attributes
    ----------
    bins
        The bins; `bins.values` hold the drift-free values.
    noise
        Noise of a pixel over time.
    covariance
        (bins, bins) of a pixel.
    bad
        (rows, cols).
    drift
        What was taken out.
    movers
        (bins, n) courses of what moved at times of its own (`hotspot.heat.movers`).
    """

    bins: BinnedFrames
    noise: TemporalNoise
    covariance: FloatArray
    bad: NDArray[np.bool_]
    drift: Drift
    movers: FloatArray


def calm(
    bins: BinnedFrames,
    *,
    cold: NDArray[np.float32],
    bad: NDArray[np.bool_],
    keep_out: NDArray[np.bool_] | None = None,
    on_board: NDArray[np.float32] | None = None,
) -> CalmBins:
    """Take the shared drift out of the bins (in place) and measure the noise that is left.

    Parameters
    ----------
    bins
        Binned frames; the values are changed in place.
    cold
        (rows, cols) cold picture: its structure is one of the patterns drift takes.
    bad
        (rows, cols) pixels that say nothing.
    keep_out
        (rows, cols) pixels known to be heated.
    on_board
        (rows, cols) share of each pixel that shows the board; None where its outline is not known.
    """
    patterns, names = build_patterns(cold, bad=bad, on_board=on_board)
    drift = remove_drift(bins.values, patterns=patterns, names=names, bad=bad, keep_out=keep_out)
    bad = bad | find_restless(bins.values, bad=bad)
    bad = bad | find_lonely(bins.values, segment=bins.segment, bad=bad)
    good = ~bad.reshape(-1)
    if keep_out is not None and (good & ~keep_out.reshape(-1)).sum() > 500:
        good &= ~keep_out.reshape(-1)
    return _measured(bins, good=good, bad=bad, drift=drift)


def _measured(
    bins: BinnedFrames, *, good: NDArray[np.bool_], bad: NDArray[np.bool_], drift: Drift
) -> CalmBins:
    noise = fit_temporal_noise(
        bins.values, t_s=bins.t_s, frames=bins.frames, segment=bins.segment, good=good
    )
    covariance = noise.covariance(bins.t_s, frames=bins.frames)
    movers = find_movers(
        drift, t_s=bins.t_s, covariance=covariance, segment=bins.segment, good=good
    )
    return CalmBins(
        bins=bins, noise=noise, covariance=covariance, bad=bad, drift=drift, movers=movers
    )


def at_rest(calm_bins: CalmBins) -> CalmBins:
    """Return a copy in which what moved is taken out of each pixel, and the noise measured again.

    Generalised least squares of the movers' courses, pixel by pixel, the offsets of each segment
    free. The courses stay named: what is left of the values is free of them.

    Parameters
    ----------
    calm_bins
        Drift-free bins.
    """
    bins, movers = calm_bins.bins, calm_bins.movers
    if not movers.shape[1]:
        return calm_bins
    seen = movers.T @ whitening(calm_bins.covariance, segment=bins.segment)
    amounts = np.linalg.solve(seen @ movers, seen).astype(np.float32) @ bins.values
    values = bins.values - movers.astype(np.float32) @ amounts
    rested = with_noise(replace(calm_bins, bins=replace(bins, values=values)))
    return replace(rested, movers=movers)


def turned_over(calm_bins: CalmBins) -> CalmBins:
    """Return a copy in which the other end of the scale is warm."""
    bins, drift = calm_bins.bins, calm_bins.drift
    return replace(
        calm_bins,
        bins=replace(bins, values=-bins.values, reference=-bins.reference),
        drift=replace(drift, coefficients=-drift.coefficients),
    )


def at_bins(calm_bins: CalmBins, kept: NDArray[np.bool_]) -> CalmBins:
    """Return a copy with some of the (bins,) only, their noise measured again."""
    drift = replace(calm_bins.drift, coefficients=calm_bins.drift.coefficients[kept])
    return with_noise(replace(calm_bins, bins=calm_bins.bins.at(kept), drift=drift))


def without_pixels(calm_bins: CalmBins, pixels: NDArray[np.bool_]) -> CalmBins:
    """Return bins of which further pixels (rows, cols) say nothing, their noise measured again."""
    return with_noise(replace(calm_bins, bad=calm_bins.bad | pixels))


def with_noise(calm_bins: CalmBins) -> CalmBins:
    """Return bins whose values have changed, with their noise measured again."""
    bad = calm_bins.bad
    return _measured(calm_bins.bins, good=~bad.reshape(-1), bad=bad, drift=calm_bins.drift)
