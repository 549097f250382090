"""How a heated part and the board around it answer the drive, and the contrasts that hear it.

A part's body follows the drive through its own thermal time constant; what it passes on spreads in
the board as a Gaussian that widens as sqrt(s0^2 + 2 alpha t) while it fades with the loss to the
air (Carslaw & Jaeger, Conduction of Heat in Solids, 2e, sec. 10.3, for a plate with loss). The time
courses of all such answers span a space of few dimensions. Its orthonormal basis, whitened against
the measured noise and freed of the offsets of each segment, turns a recording into a handful of
contrast maps that hold all there is to know about the heat: generalised least squares, once for
all pixels. With a pulse train they are the in-phase and delayed pictures of lock-in thermography.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.drive import Drive

# Time constants of part bodies, s: third-decade-and-a-bit steps over 0.2-60 s.
BODY_TAUS_S = (0.3, 1.5, 7.0, 30.0)
# Edges of the spreading ages, s: octaves; a Gaussian's width changes by sqrt 2 within one.
AGE_EDGES_S = (0.0, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4, 12.8, 25.6, 51.2, 102.4)
# Loss to the air: rho c d / (2 h) for a 1 mm board and h = 10 W/m2K a face is about 90 s.
LOSS_TAU_S = 90.0
# Directions of the response space whose share of the noise-free energy is below this are dropped.
BASIS_ENERGY = 2e-5
MOST_CONTRASTS = 6


@dataclass(frozen=True, slots=True, eq=False)
class ResponseAtoms:
    """Time courses from which every response is built.

    Attributes
    ----------
    body
        (taus, n) body temperature over time for each of `BODY_TAUS_S`, unit source.
    spread
        (taus, ages, n) heat passed on, by its age, for each body time constant.
    age_s
        (ages,) mean age of each class.
    """

    body: FloatArray
    spread: FloatArray
    age_s: FloatArray


def build_atoms(drive: Drive, *, t_s: FloatArray) -> ResponseAtoms:
    """Return the time courses at times `t_s` (n,)."""
    edges = np.array(AGE_EDGES_S)
    age = 0.5 * (edges[1:] + edges[:-1])
    body = np.stack([drive.lowpass(t_s, tau_s=tau) for tau in BODY_TAUS_S])
    spread = np.zeros((len(BODY_TAUS_S), len(age), len(t_s)))
    for i, tau in enumerate(BODY_TAUS_S):
        # The integral of a low-passed drive: tau y' = u - y, so the integral of y is that of u
        # less tau y.
        cumulative = [
            drive.integral(t_s - lag) - tau * drive.lowpass(t_s - lag, tau_s=tau) for lag in edges
        ]
        for j in range(len(age)):
            spread[i, j] = (cumulative[j] - cumulative[j + 1]) * np.exp(-age[j] / LOSS_TAU_S)
    return ResponseAtoms(body=body, spread=spread, age_s=age)


@dataclass(frozen=True, slots=True, eq=False)
class Contrasts:
    """Temporal weights that turn binned values into contrast maps of unit temporal variance.

    Attributes
    ----------
    weights
        (k, bins): a contrast map is ``weights @ values``.
    body
        (k, taus) what each contrast reads of each body time course.
    spread
        (k, taus, ages) what it reads of each spreading time course.
    quiet
        (r, bins) contrasts of the same kind of time course that hold no signal: the recording's
        own noise, for calibration.
    courses
        (k, bins) the time course that each contrast stands for: the fitted rise over time is
        ``courses.T @ maps``.
    """

    weights: FloatArray
    body: FloatArray
    spread: FloatArray
    quiet: FloatArray
    courses: FloatArray


def whitening(
    covariance: FloatArray, *, segment: NDArray[np.int64], extra: FloatArray | None = None
) -> FloatArray:
    """Return W = C^-1 less everything that segment offsets (and `extra` functions) can explain.

    Generalised least squares with nuisance functions N: W = C^-1 - C^-1 N (N' C^-1 N)^+ N' C^-1
    (Aitken; Kay, Fundamentals of Statistical Signal Processing, vol. 1, ch. 4 and 6).

    Parameters
    ----------
    covariance
        (bins, bins).
    segment
        (bins,) offsets are free in each segment.
    extra
        (bins, m) further functions of time that are free in every pixel.
    """
    indicator = (segment[:, None] == np.unique(segment)[None, :]).astype(np.float64)
    nuisance = indicator if extra is None else np.c_[indicator, extra]
    inverse = np.linalg.inv(covariance)
    cn = inverse @ nuisance
    out: FloatArray = inverse - cn @ np.linalg.pinv(nuisance.T @ cn, hermitian=True) @ cn.T
    return 0.5 * (out + out.T)


def build_contrasts(
    atoms: ResponseAtoms,
    *,
    whitener: FloatArray,
    binned: tuple[FloatArray, FloatArray],
    quiet_functions: FloatArray,
    most_quiet: int = 32,
) -> Contrasts:
    """Return the contrasts for the responses in `atoms`.

    Parameters
    ----------
    atoms
        For the shape of the family only.
    whitener
        (bins, bins) from `whitening`.
    binned
        Body (taus, bins) and spread (taus, ages, bins) time courses averaged over bins.
    quiet_functions
        (m, bins) time courses of the same kind as the signal's but at other times; what the
        signal space explains of them is taken out.
    most_quiet
        Number of quiet contrasts to keep.
    """
    body, spread = binned
    taus, ages = len(BODY_TAUS_S), spread.shape[1]
    functions = np.concatenate([body, spread.reshape(taus * ages, -1)])
    size = np.maximum(np.abs(functions).max(axis=1), 1e-12)
    scaled = functions / size[:, None]
    gram = scaled @ whitener @ scaled.T
    energy, vectors = np.linalg.eigh(gram)
    order = np.argsort(energy)[::-1]
    keep = [i for i in order if energy[i] > max(BASIS_ENERGY * energy[order[0]], 1e-12)]
    keep = keep[:MOST_CONTRASTS]
    basis = vectors[:, keep] / np.sqrt(energy[keep])
    weights = basis.T @ scaled @ whitener
    quiet = _quiet_contrasts(quiet_functions, whitener=whitener, weights=weights, most=most_quiet)
    return Contrasts(
        weights=weights,
        body=weights @ body.T,
        spread=np.einsum("kb,tab->kta", weights, spread),
        quiet=quiet,
        courses=basis.T @ scaled,
    )


def _quiet_contrasts(
    functions: FloatArray, *, whitener: FloatArray, weights: FloatArray, most: int
) -> FloatArray:
    """Orthonormal contrasts from `functions`, free of the signal space, in descending energy."""
    scaled = functions / np.maximum(np.abs(functions).max(axis=1, keepdims=True), 1e-12)
    raw = scaled @ whitener  # as weights on values
    # Covariance of two contrasts a, b is a C b' = a W^+ b'; for a = f W it is f W g'.
    with_signal = scaled @ weights.T  # f W C w' with w = s W: equals f w'
    raw = raw - with_signal @ weights
    gram = scaled @ raw.T
    gram = 0.5 * (gram + gram.T)
    energy, vectors = np.linalg.eigh(gram)
    order = np.argsort(energy)[::-1]
    keep = [i for i in order if energy[i] > max(1e-4 * energy[order[0]], 1e-12)][:most]
    out: FloatArray = (vectors[:, keep] / np.sqrt(energy[keep])).T @ raw
    return out
