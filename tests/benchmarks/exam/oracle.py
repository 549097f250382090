"""The best that could be done by an observer who knows everything but what is being asked.

It knows the switching, each part's exact signal in time and space, and the noise: white, 1/f, row
and column noise. Unknown to it are every pixel's offset in every segment between shutter events or
knocks, the course in time of each nuisance picture, and the heat on the way to the short. Its SNR
is the matched filter's (S. M. Kay, *Detection Theory*, ch. 4), its position error the Cramer-Rao
bound (*Estimation Theory*, ch. 3) with unknown strength. "Names the right part" is the chance that
the matched filter of the true part is the greatest among those of all parts of the rail.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

MEDIAN_OF_RADIUS = 1.1774  # median distance of a round Gaussian error, in standard deviations


@dataclass(frozen=True)
class Signal:
    """A signal as (frames, modes) courses times (modes, rows, cols) pictures."""

    courses: NDArray[np.float64]
    pictures: NDArray[np.float64]


@dataclass(frozen=True)
class NoiseModel:
    """Covariance of a pixel over the used frames, stripes, and what is to be projected out."""

    covariance: NDArray[np.float64]
    row_k: float
    column_k: float
    segment: NDArray[np.int64]
    nuisances: NDArray[np.float64]  # (n, rows, cols)
    good: NDArray[np.bool_]  # (rows, cols)


@dataclass(frozen=True)
class Bound:
    """SNR at the power given, chance to name the right part, median position error in px."""

    snr: float
    right_probability: float
    median_error_px: float


def gram(signals: list[Signal], noise: NoiseModel) -> NDArray[np.float64]:
    """Return inner products of signals, whitened and with the nuisances projected out."""
    rows, cols = noise.good.shape
    owner = np.concatenate([[k] * len(s.pictures) for k, s in enumerate(signals)])
    pictures = np.concatenate([s.pictures for s in signals]).reshape(len(owner), -1)
    pictures = pictures * noise.good.ravel()
    courses = np.concatenate([s.courses for s in signals], axis=1)
    if len(noise.nuisances):
        flat = (noise.nuisances * noise.good).reshape(len(noise.nuisances), -1)
        flat = flat / np.linalg.norm(flat, axis=1, keepdims=True)
        _, s, basis = np.linalg.svd(flat, full_matrices=False)
        basis = basis[s > 1e-6 * s[0]]
        pictures = pictures - (pictures @ basis.T) @ basis
    cube = pictures.reshape(-1, rows, cols)
    by_row = cube.mean(2, keepdims=True)
    by_column = (cube - by_row).mean(1, keepdims=True)
    rest = cube - by_row - by_column
    spaces = (
        (by_row[:, :, 0] * np.sqrt(cols), cols * noise.row_k**2),
        (by_column[:, 0] * np.sqrt(rows), rows * noise.column_k**2),
        (rest.reshape(len(owner), -1), 0.0),
    )
    full = np.zeros((len(owner), len(owner)))
    cache: dict[float, NDArray] = {}
    for pattern, extra in spaces:
        if extra not in cache:
            seen = _whitened(courses, noise, extra)
            cache[extra] = seen.T @ seen
        full += (pattern @ pattern.T) * cache[extra]
    pick = owner[:, None] == np.arange(len(signals))[None]
    return pick.T @ full @ pick


def _whitened(courses: NDArray, noise: NoiseModel, extra: float) -> NDArray:
    """Return courses in units of noise, free of any offset in any segment."""
    root = np.linalg.cholesky(noise.covariance + extra * np.eye(len(noise.covariance)))
    offsets = (noise.segment[:, None] == np.unique(noise.segment)[None]).astype(float)
    seen = solve_triangular(root, np.column_stack([courses, offsets]), lower=True)
    q, _ = np.linalg.qr(seen[:, courses.shape[1] :])
    seen = seen[:, : courses.shape[1]]
    return seen - q @ (q.T @ seen)


def slopes(signal: Signal) -> tuple[Signal, Signal]:
    """Return the signal's derivatives along x and y per px (five-point differences)."""
    out = []
    for axis in (2, 1):
        d = np.zeros_like(signal.pictures)
        for reach, weight in ((1, 2 / 3), (2, -1 / 12)):
            d += weight * (
                np.roll(signal.pictures, -reach, axis) - np.roll(signal.pictures, reach, axis)
            )
        out.append(Signal(signal.courses, d))
    return out[0], out[1]


def build_products(
    *, faults: list[Signal], others: list[Signal], path: Signal | None, noise: NoiseModel
) -> NDArray[np.float64]:
    """Return inner products at unit power of faults, others and the first fault's two slopes.

    The heat on the way (`path`) is projected out: its strength is not known.
    """
    known = [path] if path is not None else []
    g = gram([*faults, *others, *slopes(faults[0]), *known], noise)
    if known and g[-1, -1] > 0:
        g = g - np.outer(g[:, -1], g[-1]) / g[-1, -1]
    return g[: len(g) - len(known), : len(g) - len(known)]


def bound(
    products: NDArray, *, n_faults: int, rng: np.random.Generator, power: float = 1.0
) -> Bound:
    """Return the bound for faults at `power` times the strength that `products` was built for."""
    g = products
    n = len(g) - 2
    total2 = g[:n_faults, :n_faults].sum()
    if total2 <= 0:
        return Bound(0.0, 0.0, np.inf)
    size = np.sqrt(np.maximum(np.diag(g)[:n], 1e-30))
    mean = power * g[:n, :n_faults].sum(1) / size
    value, turn = np.linalg.eigh(g[:n, :n] / size[:, None] / size[None])
    draws = rng.standard_normal((4000, n)) @ (turn * np.sqrt(np.clip(value, 0, None))).T + mean
    index = [0, n, n + 1]
    cov = np.linalg.pinv(g[np.ix_(index, index)] * power**2, hermitian=True)[1:, 1:]
    return Bound(
        snr=float(power * np.sqrt(total2)),
        right_probability=float(np.mean(draws.argmax(1) < n_faults)),
        median_error_px=float(MEDIAN_OF_RADIUS * np.sqrt(np.trace(cov) / 2)),
    )
