"""Something warm mirrored in the board's metal, taken out with the pattern it shows itself.

What pads and cans mirror of a moving hand is the product of two: how well each pixel mirrors,
which is fine and stays, and the blurred hand, which is smooth and moves. The cold picture tells
the first only roughly. The quiet contrasts tell it better: where they are restless, there is a
mirror, and as restless as it is good. With that picture the smooth part is fitted in each time
bin, over all mirrors at once, and taken out. Heat from the switching leaves next to nothing in the
quiet contrasts, so that the place of a short is no mirror of its own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hotspot.heat.calm import CalmBins, with_noise
from hotspot.heat.drift import Drift, build_waves, remove_drift
from hotspot.heat.evident import LEAK_SHARE, is_evident
from hotspot.heat.fit import HeatFit
from hotspot.heat.movers import MOST_MIRRORED
from hotspot.heat.pads import FEWEST_PADS, count_pads, is_mirrored, smoothed

# A pixel is a mirror where its quiet power exceeds the usual by this many sigma of chi-squared.
MIRROR_SIGMAS = 4.0
# Pads this much more restless in power than usual are a hand's or a lamp's doing: beside them a
# reading needs more proof. Leaves outdoors, the liveliest scene at hand without one, made two such.
# So are pads that mirror what moves along more axes than a draught does: weakly mirrored, a hand
# left a spot of SNR 7 on a part of the rail.
LIVELY = 6.0
# A moment counts as disturbed when the mirrors show this many times the power they show in the
# stillest quarter of the recording (a hand 20 to 1000 times, a room or heat that passes by 1 to 4;
# `tests.benchmarks.exam`), and so long before and after it: a hand comes slowly, s.
DISTURBED, AROUND_S = 6.0, 1.5
# So much of the recording must be left to go by, and in it mirrors must be about as still as what
# does not mirror: pads that wander with a room all the time do not come to rest.
LEAST_KEPT, STILL_AGAIN = 0.25, 1.6
# ... or, after what surely was a hand, nearly: what is warm itself is not still either.
SURELY_DISTURBED, NEARLY_STILL = 20.0, 3.0
# Each round knows the usual better, until nothing changes; more than this is nobody's gain.
ROUNDS = 4
MOST_MATT = 4000


@dataclass(frozen=True, slots=True, eq=False)
class Mirror:
    """What mirrors in a scene.

    Attributes
    ----------
    strength
        (rows, cols) float32 how strongly each pixel mirrors, in arbitrary units; 0 where it does
        not.
    lively
        Whether what moves is strong enough to be taken for heat.
    beside_heat
        Whether there is heat so strong that it may have made pads restless itself.
    """

    strength: NDArray[np.float32]
    lively: bool
    beside_heat: bool = False


def build_mirror(fit: HeatFit, *, bad: NDArray[np.bool_]) -> Mirror | None:
    """Return what mirrors, or None where nothing is seen to move.

    Parameters
    ----------
    fit
        Contrast maps.
    bad
        (rows, cols) pixels that say nothing.
    """
    moving = fit.as_it_moves
    count = len(moving.quiet)
    if count < FEWEST_PADS:
        return None
    power = np.mean(moving.quiet**2, axis=0)
    leaked = np.sum(moving.signal**2, axis=0) * np.float32(LEAK_SHARE / count)
    power = np.where(bad | (power < leaked), 0, power).astype(np.float32)
    usual = float(np.median(power[~bad]))
    smooth = smoothed(power)
    if not is_mirrored(smooth, usual=usual):
        return None
    beyond = power - usual * (1 + MIRROR_SIGMAS * np.sqrt(2 / count))
    return Mirror(
        strength=np.asarray(np.sqrt(np.maximum(beyond, 0.0)), dtype=np.float32),
        lively=fit.moved_by > MOST_MIRRORED or _is_lively(smooth, usual=usual),
        beside_heat=is_evident(moving.signal, quiet=moving.quiet, bad=bad),
    )


def something_moved(calm_bins: CalmBins) -> bool:
    """Return whether something warm moved before the metal, whatever was switched.

    The same as `Mirror.lively` where no switching tells signal from quiet: of 23 boards on which
    none could be seen, pads were so restless under both hands and in one drifting room.

    Parameters
    ----------
    calm_bins
        Drift-free bins.
    """
    bad = calm_bins.bad
    change = np.where(bad.reshape(-1), np.float32(0), calm_bins.bins.values.var(axis=0))
    change = change.reshape(bad.shape).astype(np.float32)
    usual = float(np.median(change[~bad])) if not bad.all() else 0.0
    return usual > 0 and _is_lively(smoothed(change), usual=usual)


def _is_lively(smooth: NDArray[np.float32], *, usual: float) -> bool:
    return count_pads(smooth > LIVELY * usual) >= FEWEST_PADS


def find_undisturbed_bins(
    calm_bins: CalmBins, mirror: Mirror, *, leniently: bool = False
) -> NDArray[np.bool_] | None:
    """Return the (bins,) in which nothing passes before the mirrors, or None.

    None where nothing does at any time, or nearly always, or where the mirrors never come to rest.

    Parameters
    ----------
    calm_bins
        Drift-free bins.
    mirror
        From `build_mirror`.
    leniently
        Whether a moment must come nearer, in logarithms, to the most disturbed one than to the
        usual: strong heat warms the metal about it as well, and that is no disturbance.
    """
    bins = calm_bins.bins
    strength = mirror.strength.reshape(-1)
    # The better half of what mirrors: the rest is noise that passed for it.
    metal = bins.values[:, np.flatnonzero(strength > np.median(strength[strength > 0]))]
    kept = np.ones(len(bins.t_s), dtype=bool)
    # What passed may have been there half the time, and is then the usual: again without it.
    for _ in range(ROUNDS):
        power = _power(metal, segment=bins.segment, usually=kept)
        usual = float(np.median(power[power <= np.median(power[kept])]))
        least = DISTURBED
        if leniently:
            least = max(least, float(np.sqrt(power.max() / max(usual, 1e-12))))
        disturbed = power > least * usual
        if not disturbed.any():
            break
        apart = np.abs(bins.t_s[:, None] - bins.t_s[disturbed][None]).min(axis=1)
        before, kept = kept, apart > AROUND_S
        if kept.mean() < LEAST_KEPT:
            return None
        if np.array_equal(kept, before):
            break
    if kept.all():
        return None
    matt = np.flatnonzero((strength == 0) & ~calm_bins.bad.reshape(-1))
    matt = matt[:: max(1, len(matt) // MOST_MATT)]
    segment, every = bins.segment[kept], np.ones(int(kept.sum()), dtype=bool)
    mirrored = _power(metal[kept], segment=segment, usually=every)
    rest = _power(bins.values[kept][:, matt], segment=segment, usually=every)
    sure = float(np.median(power[disturbed])) > SURELY_DISTURBED * usual
    still = NEARLY_STILL if sure else STILL_AGAIN
    if sure and leniently:
        still = np.inf  # the heat itself is not
    return kept if np.median(mirrored) < still * np.median(rest) else None


def _power(
    values: NDArray[np.float32], *, segment: NDArray[np.intp], usually: NDArray[np.bool_]
) -> NDArray[np.float32]:
    """Return (bins,) the mean square over pixels of what differs from their usual value.

    The usual is that of the bins `usually`, in each segment that has any.
    """
    out = np.empty_like(values)
    for number in np.unique(segment):
        own = segment == number
        named = own & usually
        out[own] = values[own] - np.median(values[named if named.any() else own], axis=0)
    power: NDArray[np.float32] = np.mean(out**2, axis=1)
    return power


def without_mirrored(calm_bins: CalmBins, mirror: Mirror) -> CalmBins:
    """Return bins without what moves in the mirrors; the values are changed in place.

    Parameters
    ----------
    calm_bins
        Drift-free bins.
    mirror
        From `build_mirror`.
    """
    waves = build_waves(mirror.strength.shape)
    names = tuple(f"mirror {i} {j}" for i, j in waves)
    stack = np.stack([(mirror.strength * w).reshape(-1) for w in waves.values()], axis=1)
    scale = np.maximum(np.sqrt(np.mean(stack**2, axis=0)), 1e-12)
    patterns: NDArray[np.float32] = (stack / scale).astype(np.float32)
    bins, before = calm_bins.bins, calm_bins.drift
    moved = remove_drift(bins.values, patterns=patterns, names=names, bad=calm_bins.bad)
    drift = Drift(
        patterns=np.concatenate([before.patterns, moved.patterns], axis=1),
        coefficients=np.concatenate([before.coefficients, moved.coefficients], axis=1),
        names=(*before.names, *moved.names),
    )
    return with_noise(replace(calm_bins, drift=drift))
