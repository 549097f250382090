"""Which clicks to trust: degenerate sets refused, wrong clicks found and named.

Clicks are named to the technician by their number, counting from 1.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations

import numpy as np
from scipy.special import chdtri

from hotspot.checks import FloatArray
from hotspot.errors import RegistrationError
from hotspot.register.fitting import map_points
from hotspot.register.levels import Fit

# Weight of the assumed click noise against the residuals, in degrees of freedom: with the one to
# eight degrees that 4-8 clicks leave, the residuals alone would set the scale by chance.
NOISE_DOF = 4.0
# One click in fifteen is on the wrong feature (common practice, no source). With a picture of
# 10^4 click areas a click is then named wrong at about 5 sigma.
WRONG_SHARE = 1.0 / 15.0
# Clicks closer than this many standard deviations are the same click; a line is a set whose
# spread across is not that much more than the click noise itself.
_SAME_SIGMAS = 3.0
_LINE_SIGMAS = 4.0
_BUNCH_SIGMAS = 12.0
_EXHAUSTIVE = 9  # sets up to this size are searched through, larger ones sampled


def names(indices: tuple[int, ...] | list[int]) -> str:
    """Return "1", "1 and 2" or "1, 2 and 3" for 0-based indices."""
    numbers = [str(i + 1) for i in sorted(indices)]
    if len(numbers) < 2:
        return "".join(numbers)
    return f"{', '.join(numbers[:-1])} and {numbers[-1]}"


# Distinct clicks that fix any mapping.
_ENOUGH = 4


def _width_across(points: FloatArray) -> float:
    """Return the RMS distance of points from their best line."""
    centred = points - points.mean(axis=0)
    return float(np.linalg.svd(centred, compute_uv=False)[-1] / np.sqrt(len(points)))


def is_on_line(points: FloatArray, *, sigma: float) -> bool:
    """Return whether points (3 or more) cannot be told from a line at this click noise."""
    span = float(np.ptp(points, axis=0).max())
    return _width_across(points) < max(_LINE_SIGMAS * sigma / 2, 0.02 * span)


def check_spread(points: FloatArray, *, sigma: float, side: str) -> None:
    """Refuse a set with the same click twice, or all clicks bunched or on one line.

    Raises
    ------
    RegistrationError
        Naming the clicks.
    """
    n = len(points)
    near = [
        (i, j)
        for i, j in combinations(range(n), 2)
        if np.hypot(*(points[i] - points[j])) <= max(_SAME_SIGMAS * sigma, 1e-9)
    ]
    # Neighbouring clicks do no harm while enough others fix the mapping.
    if near and n - len({j for _, j in near}) < min(n, _ENOUGH):
        for i, j in near[:1]:
            raise RegistrationError(
                f"landmarks {names([i, j])} are the same place on the {side}",
                cure=f"Click landmark {j + 1} again, well away from landmark {i + 1}",
            )
    span = float(np.linalg.norm(np.ptp(points, axis=0)))
    if span < _BUNCH_SIGMAS * sigma:
        raise RegistrationError(
            f"landmarks {names(list(range(n)))} are bunched on the {side} "
            f"(all within {span:.1f}, click noise {sigma:.1f})",
            cure="Spread them over the board: near its corners is best",
        )
    if n >= 3 and is_on_line(points, sigma=sigma):
        raise RegistrationError(
            f"landmarks {names(list(range(n)))} lie on one line on the {side}",
            cure="Add a landmark well away from that line",
        )


def find_line(points: FloatArray, *, sigma: float) -> tuple[int, ...]:
    """Return the indices of all but one click when those lie on one line, else an empty tuple.

    Such a set fixes an affine map, not a homography.
    """
    for left_out in range(len(points)):
        rest = [i for i in range(len(points)) if i != left_out]
        if len(rest) >= 3 and is_on_line(points[rest], sigma=sigma):
            return tuple(rest)
    return ()


def measure_scale(fit: Fit) -> float:
    """Return the click noise relative to the assumed one, from residuals and assumption."""
    return float(np.sqrt((NOISE_DOF + fit.cost) / (NOISE_DOF + max(fit.free, 0))))


def leave_one_out(
    source: FloatArray, destination: FloatArray, *, fit: Callable[[list[int]], Fit]
) -> FloatArray:
    """Return each click's (n, 2) destination residual to the map of the other clicks."""
    out = np.full((len(source), 2), np.nan)
    for i in range(len(source)):
        rest = [k for k in range(len(source)) if k != i]
        out[i] = destination[i] - map_points(fit(rest).matrix, source[i : i + 1])[0]
    return out


def find_wrong_clicks(
    source: FloatArray,
    destination: FloatArray,
    *,
    sigma_source: float,
    sigma_destination: float,
    fit: Callable[[list[int]], Fit],
    minimum: int,
    rng: np.random.Generator,
) -> tuple[int, ...]:
    """Return the indices of wrong clicks.

    Compares hypotheses "these k clicks are wrong, the others right" by their marginal likelihood:
    a right click scatters by its noise about the map, a wrong one may lie anywhere on the picture
    (uniform), and one click in `WRONG_SHARE` is wrong. The map's own freedom is thereby paid for:
    a wrong click cannot be bought with an unlikely view. Small sets are searched through; in large
    ones the candidates come from sampled minimal sets (as in MSAC, Torr & Zisserman, CVIU 78
    (2000)) and from the answer for k - 1.

    Parameters
    ----------
    source, destination
        (n, 2) point pairs.
    sigma_source, sigma_destination
        Assumed click noise on both sides.
    fit
        Makes the fit of the clicks of the given indices.
    minimum
        The fewest clicks that a trusted set must keep.
    rng
        For the sampled sets.
    """
    n = len(source)
    # More than a third wrong is no longer a set with wrong clicks but a wrong set.
    most = min(n - minimum, max(1, n // 3))
    everything = list(range(n))
    whole = fit(everything)
    if most < 1 or (whole.noise == 1.0 and whole.chi2 < chdtri(2 * n - 4, 0.5)):
        # No hypothesis of a wrong click can win against residuals this small.
        return ()
    area = float(np.prod(np.ptp(destination, axis=0)))
    scale = np.sqrt(area / max(float(np.prod(np.ptp(source, axis=0))), 1e-12))
    spread = sigma_destination**2 + (scale * sigma_source) ** 2
    price = 2.0 * np.log(max(area / (2.0 * np.pi * spread), 1.0) / WRONG_SHARE)
    best: tuple[float, tuple[int, ...]] = (whole.evidence, ())
    before: tuple[int, ...] = ()
    for k in range(1, most + 1):
        scores = [
            (fit([i for i in everything if i not in left]).evidence + k * price, left)
            for left in _candidates(n, k, source, destination, before, rng)
        ]
        found = min(scores)
        before = found[1]
        if found[0] < best[0]:
            best = found
        # A set that would leave even the best view wildly off is searched one deeper.
        elif best[1] or whole.chi2 * whole.noise**2 < 10 * price:
            break
    return best[1]


def _candidates(
    n: int,
    k: int,
    source: FloatArray,
    destination: FloatArray,
    before: tuple[int, ...],
    rng: np.random.Generator,
) -> list[tuple[int, ...]]:
    if n <= _EXHAUSTIVE:
        return list(combinations(range(n), k))
    greedy = [(*before, i) for i in range(n) if i not in before]
    sampled = set()
    for _ in range(60):
        four = rng.choice(n, 4, replace=False)
        affine = np.linalg.lstsq(np.c_[source[four], np.ones(4)], destination[four], rcond=None)[0]
        distance = np.hypot(*(destination - np.c_[source, np.ones(n)] @ affine).T)
        sampled.add(tuple(sorted(int(i) for i in np.argsort(distance)[n - k :])))
    return [tuple(sorted(c)) for c in {*greedy, *sampled}]
