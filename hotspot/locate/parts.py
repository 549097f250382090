"""The parts on the rail tested directly: a few dozen places need far less signal than a picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from hotspot.checks import FloatArray
from hotspot.locate.detect import Scores

# Standard deviation of where in its body a part is hottest, as a share of the body's size: the
# fault can be anywhere between the terminals, mostly near the middle.
WITHIN_BODY = 0.2
# A coil's ends, and the traces that reach it, warm as well as its middle.
WITHIN_SERIES = 0.45
# A chip fails anywhere on its die, and a die fills between a third and all of its package: the
# standard deviation of an even spread over the body (1 / sqrt(12)).
WITHIN_LOAD = 0.29
# Offsets in each direction, in sigma, at which a part's largest SNR is read.
OFFSETS = (-1.6, -0.8, 0.0, 0.8, 1.6)
# The likelihood of where a plain spot is centred is a peak of 0.3-0.5 px (a spot of 1.5-2 px over
# its SNR), narrower than what is known of a part's place: it is integrated over a lattice that
# resolves both. It reaches as far as a registration may err (3.2 sigma hold 99.4 % of a normal
# density in the plane), but not that far beyond a body, which ends: an even spread over a square
# ends at 1.7 sigma along its sides.
_REACH_SIGMAS, _BODY_REACH_SIGMAS = 3.2, 1.8
_STEPS_PER_SIGMA = 2.5
_FINEST_PX, _COARSEST_PX = 0.25, 0.5
# Where nothing stands out by more than this the likelihood is so smooth that the offsets above do.
_QUIET_SNR = 2.5


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """A part as the thermal camera sees it.

    Attributes
    ----------
    ref
        Reference designator.
    xy_px
        (2,) centre.
    cov_px2
        (2, 2) of the registration.
    outline_px
        (4, 2) corners of the body.
    """

    ref: str
    xy_px: FloatArray
    cov_px2: FloatArray
    outline_px: FloatArray

    def heat_cov_px2(self) -> FloatArray:
        """Return second moments of its body, seen where the registration may have put it."""
        centred = self.outline_px - self.outline_px.mean(axis=0)
        # A uniform rectangle has a third of its squared half-axes; its corners have all of them.
        out: FloatArray = self.cov_px2 + (centred.T @ centred) / len(centred) / 3
        return out

    @property
    def radius_px(self) -> float:
        """Distance of the corners from the centre."""
        return float(np.hypot(*(self.outline_px - self.xy_px).T).max())

    def spread_px2(self, *, within: float = WITHIN_BODY) -> FloatArray:
        """Return the covariance of where its heat may be centred."""
        out: FloatArray = self.cov_px2 + self.body_px2(share=within)
        return out

    def body_px2(self, *, share: float) -> FloatArray:
        """Return the covariance (2, 2) of a scatter by a share of the body's size."""
        centred = self.outline_px - self.outline_px.mean(axis=0)
        half_axes = (centred.T @ centred) / len(centred)  # half-axis squared along each axis
        out: FloatArray = (2 * share) ** 2 * half_axes
        return out


@dataclass(frozen=True, slots=True, eq=False)
class PartScore:
    """What the picture says about one part.

    Attributes
    ----------
    log_evidence
        Log of the likelihood ratio of "this part is hot" to "nothing is", averaged over the
        family of spots and over where the part's heat may be centred.
    snr
        Largest SNR at the part.
    inside
        Whether the part lies in the picture.
    """

    log_evidence: float
    snr: float
    inside: bool


def score_parts(
    scores: Scores,
    *,
    places: tuple[Place, ...],
    within: tuple[float, ...] | None = None,
    around_px: tuple[float, ...] | None = None,
) -> tuple[PartScore, ...]:
    """Return what one stack of score maps says about each part, as `score_parts_of_each`."""
    return score_parts_of_each((scores,), places=places, within=within, around_px=around_px)[0]


def score_parts_of_each(
    stacks: Sequence[Scores],
    *,
    places: tuple[Place, ...],
    within: tuple[float, ...] | None = None,
    around_px: tuple[float, ...] | None = None,
) -> list[tuple[PartScore, ...]]:
    """Return what each stack of score maps of one picture says about each part.

    Parameters
    ----------
    stacks
        Score maps, of one shape.
    places
        The parts.
    within
        For each part, the scatter of its hottest point as a share of its size; `WITHIN_BODY` when
        None.
    around_px
        For each part, a further scatter in all directions, px: what its leads and traces warm.
        Parts that have one are looked at even when they lie just outside the picture.
    """
    if not stacks:
        return []
    rows, cols = stacks[0].z.shape[1:]
    out = [[PartScore(log_evidence=0.0, snr=0.0, inside=False)] * len(places) for _ in stacks]
    grid = np.array([(a, b) for a in OFFSETS for b in OFFSETS])
    coarse_weights = np.exp(-0.5 * np.sum(grid**2, axis=1))
    inside: dict[int, tuple[FloatArray, FloatArray]] = {}  # spread, and the offsets' points
    for i, place in enumerate(places):
        x, y = place.xy_px
        around = 0.0 if around_px is None else around_px[i]
        if not (-around <= x <= cols - 1 + around and -around <= y <= rows - 1 + around):
            continue
        share = WITHIN_BODY if within is None else within[i]
        spread = place.spread_px2(within=share) + (0.05**2 + around**2) * np.eye(2)
        inside[i] = (spread, place.xy_px + grid @ np.linalg.cholesky(spread).T)
    if not inside:
        return [tuple(one) for one in out]
    # All parts' offsets are read at once: a call a part took longer than the reading.
    offsets: FloatArray = np.concatenate([points for _, points in inside.values()])
    read = [
        sample(scores.z, offsets).reshape(len(scores.z), len(inside), -1).swapaxes(0, 1)
        for scores in stacks
    ]
    strongest = [scores.z.max(axis=0) for scores in stacks]
    for k, i in enumerate(inside):
        at, wide = places[i].xy_px, inside[i][0]
        sigmas = _reach_sigmas(places[i].cov_px2, wide)
        reach = sigmas * np.sqrt(np.diag(wide))
        loud = [_loudest(s, at, reach) > _QUIET_SNR for s in strongest]
        lattice = _lattice(at, wide, sigmas) if any(loud) else None
        for scores, coarse, is_loud, one in zip(stacks, read, loud, out, strict=True):
            if is_loud and lattice is not None:
                evidence = _mean_evidence(sample(scores.z, lattice[0]), lattice[1])
            else:
                evidence = _mean_evidence(coarse[k], coarse_weights)
            one[i] = PartScore(log_evidence=evidence, snr=float(coarse[k].max()), inside=True)
    return [tuple(one) for one in out]


def _loudest(strongest: NDArray[np.float32], at: FloatArray, reach: FloatArray) -> float:
    """Return the largest value of a map within `reach` of a place, x and y apart."""
    (x0, y0), (x1, y1) = np.floor(at - reach).astype(int), np.ceil(at + reach).astype(int) + 1
    window = strongest[max(y0, 0) : max(y1, 1), max(x0, 0) : max(x1, 1)]
    return float(window.max()) if window.size else np.inf


def _reach_sigmas(registration: FloatArray, spread: FloatArray) -> float:
    """Return how many sigma of its whole spread a place reaches, by what the spread is made of."""
    share = float(np.clip(np.trace(np.linalg.solve(spread, registration)) / 2, 0.0, 1.0))
    return float(np.sqrt(share * _REACH_SIGMAS**2 + (1.0 - share) * _BODY_REACH_SIGMAS**2))


def _lattice(at: FloatArray, spread: FloatArray, sigmas: float) -> tuple[FloatArray, FloatArray]:
    """Return points (n, 2) that resolve a normal density and a spot's peak, and their weights.

    The picture's own pixels are among the points, and all of them where the place is wide: a sharp
    spot on one pixel is then seen at full height, as it is by the average over the whole picture
    that "something else" is measured by.
    """
    narrow = float(np.sqrt(np.linalg.eigvalsh(spread)[0]))
    reach = sigmas * np.sqrt(np.diag(spread))
    step = narrow / _STEPS_PER_SIGMA
    step = 1.0 if step >= _COARSEST_PX else 1.0 / np.ceil(1.0 / max(step, _FINEST_PX))
    first = np.floor((at - reach) / step).astype(int)
    last = np.ceil((at + reach) / step).astype(int)
    ticks = [step * np.arange(a, b + 1) for a, b in zip(first, last, strict=True)]
    points = np.stack(np.meshgrid(*ticks), axis=-1).reshape(-1, 2)
    apart = points - at
    distance = np.sum((apart @ np.linalg.inv(spread)) * apart, axis=1)
    kept = distance <= sigmas**2
    return points[kept], np.exp(-0.5 * distance[kept])


def _mean_evidence(z: NDArray[np.float64], weights: FloatArray) -> float:
    """Return the log of the likelihood ratio averaged over maps (m, n) and weighted places (n,)."""
    half = 0.5 * np.maximum(z, 0.0) ** 2
    top = float(half.max())
    return top + float(np.log(np.mean(np.exp(half - top), axis=0) @ weights / weights.sum()))


def sample(stack: NDArray[np.float32], points: FloatArray) -> NDArray[np.float64]:
    """Return values (m, n) of maps (m, rows, cols) at points (n, 2), by bilinear interpolation.

    Points outside take the value at the nearest border. All maps are read at once: interpolating
    them one by one took longer than everything else that is done for a part.
    """
    rows, cols = stack.shape[1:]
    x = np.clip(points[:, 0], 0, cols - 1)
    y = np.clip(points[:, 1], 0, rows - 1)
    left, top = x.astype(np.intp), y.astype(np.intp)
    right, bottom = np.minimum(left + 1, cols - 1), np.minimum(top + 1, rows - 1)
    fx, fy = x - left, y - top
    if not fx.any() and not fy.any():
        return stack[:, top, left].astype(np.float64)
    values = (
        stack[:, top, left] * ((1 - fy) * (1 - fx))
        + stack[:, top, right] * ((1 - fy) * fx)
        + stack[:, bottom, left] * (fy * (1 - fx))
        + stack[:, bottom, right] * (fy * fx)
    )
    return np.asarray(values, dtype=np.float64)


# Templates of one family see nearly the same noise at one place: this many count as independent
# (the largest of 40 templates behaves like that of 4 to 6 on noise of the practice camera).
TEMPLATES_PER_PLACE = 5.0


def part_false_alarm(snr: float, *, parts: int, trials: float) -> float:
    """Return the chance that noise reaches `snr` at any of a few places (Sidak 1967).

    Parameters
    ----------
    snr
        Largest SNR at a part.
    parts
        Number of parts tested.
    trials
        Switchings tried before.
    """
    tests = max(1.0, parts * TEMPLATES_PER_PLACE * trials)
    return float(-np.expm1(tests * log_ndtr(snr)))
