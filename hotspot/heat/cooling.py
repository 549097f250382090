"""What changes from the first frame on: a board that cools, and no heat of the injection.

A board that was warm before cools all through the recording, a large chip more slowly than the rest
of it, and what lags behind looks warmer and warmer. Over the seconds of an injection that is much
like the rise of a warm part. But it does not begin with the injection: a decay from the first frame
on explains it better than any answer to the switching.
"""

from __future__ import annotations

import numpy as np

from hotspot.checks import FloatArray
from hotspot.heat.calm import CalmBins
from hotspot.heat.fit import HeatFit
from hotspot.heat.response import whitening

# Time constants of a decay, s: from small parts to a whole board in still air (seconds to minutes;
# common practice, no source), and a straight line.
DECAY_TAUS_S = (3.0, 6.0, 12.0, 25.0, 50.0, 100.0, 1000.0)
# The place is looked at through windows of a small and of a large part, px.
WINDOWS_PX = (1.5, 3.0)
# Of the answers to a point source every so many are tried; their ages are neighbours.
EVERY_AGE = 3
# A decay must explain this much more than any answer, in nats: chips on five boards that cooled,
# with nothing shorted, had 11 to 430 more, 49 shorts near the noise 1.5 at most, and where they
# were named less than 0.
LEAST_NATS = 3.0
# ... and of strong heat, whose answers are but nearly known, this share of what they explain beyond
# so many nats (an SNR of 60) on top: of 60 strong ones one had 5 % more.
LEAST_SHARE, STRONG_NATS = 0.1, 1800.0
# ... unless an answer, beside the decay, adds half as much again: the part cools from an injection
# before, and warms in this one.
MOST_ADDED = 0.5


def is_cooling(fit: HeatFit, calm_bins: CalmBins, *, xy_px: FloatArray) -> bool:
    """Return whether what a place does began before the switching.

    Parameters
    ----------
    fit
        Contrast maps, for the answers and the noise.
    calm_bins
        Drift-free bins behind them.
    xy_px
        (2,) the place.
    """
    bins = calm_bins.bins
    white = whitening(fit.covariance, segment=bins.segment, extra=fit.free)
    spread = fit.spread.reshape(-1, len(bins.t_s))[::EVERY_AGE]
    answers = np.concatenate([fit.body, spread])
    age_s = bins.t_s - bins.t_s[0]
    decays = np.exp(-age_s / np.array(DECAY_TAUS_S)[:, None])
    return any(
        _decays(_course(calm_bins, xy_px, sigma_px=s), answers=answers, decays=decays, white=white)
        for s in WINDOWS_PX
    )


def _course(calm_bins: CalmBins, xy_px: FloatArray, *, sigma_px: float) -> FloatArray:
    """Return what a place shows in each bin, in units that keep the noise of a pixel."""
    rows, cols = calm_bins.bins.shape
    y, x = np.mgrid[:rows, :cols]
    window = np.exp(-0.5 * ((x - xy_px[0]) ** 2 + (y - xy_px[1]) ** 2) / sigma_px**2)
    window = np.where(calm_bins.bad, 0.0, window).reshape(-1)
    near = np.flatnonzero(window > 1e-3)
    size = float(np.linalg.norm(window[near]))
    if size == 0:
        return np.zeros(len(calm_bins.bins.t_s))
    weights = (window[near] / size).astype(np.float32)
    return np.asarray(calm_bins.bins.values[:, near] @ weights, dtype=np.float64)


def _decays(
    course: FloatArray, *, answers: FloatArray, decays: FloatArray, white: FloatArray
) -> bool:
    """Return whether decays (n, bins) explain a course (bins,) far better than answers do."""
    heard = white @ course
    by_answer = _explained(answers, heard=heard, white=white, warming=True)
    each = [_explained(d[None], heard=heard, white=white) for d in decays]
    by_decay = max(each)
    unlike = LEAST_SHARE * max(0.0, by_answer - STRONG_NATS)
    if by_decay < by_answer + LEAST_NATS + unlike:
        return False
    # What is left when the best decay is free.
    best = decays[int(np.argmax(each))]
    own = white @ best
    rest = white - np.outer(own, own) / float(best @ own)
    added = _explained(answers, heard=rest @ course, white=rest, warming=True)
    return added < MOST_ADDED * by_decay


def _explained(
    kinds: FloatArray, *, heard: FloatArray, white: FloatArray, warming: bool = False
) -> float:
    """Return the log-likelihood that the best of some courses (n, bins) gains.

    Of `warming` kinds only positive amounts count.
    """
    energy = np.sum((kinds @ white) * kinds, axis=1)
    usable = energy > 1e-6 * max(float(energy.max(initial=0.0)), 1e-300)
    z = (kinds[usable] @ heard) / np.sqrt(energy[usable])
    z = np.maximum(z, 0.0) if warming else z
    return 0.5 * float(np.max(z * z, initial=0.0))
