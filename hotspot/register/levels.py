"""The most likely plane map for clicks that err on both sides, and its covariance.

Everything here works on points that are already known to be good; which clicks to trust is
decided in `clicks`, what to tell the technician in `landmarks`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hotspot.checks import FloatArray
from hotspot.register.fitting import map_points, similarity_start, start_of, to_normal

# What a camera over a board can look like. A plane seen under a tilt t has one axis shortened by
# cos t (anisotropy (1 - cos t)/(1 + cos t): 0.008 at 10 deg, 0.07 at 30 deg) and a perspective
# term sin t * (half width / distance) at the edge of the view: 0.03-0.05 at 10 deg and
# 0.15-0.25 at 30 deg for lenses of 30-50 deg. Four levels, from "fixed on a stand, squared up"
# through "held by hand" to "anything"; which one holds is decided by the clicks (marginal
# likelihood).
TILT_LEVELS = ((0.002, 0.006), (0.008, 0.02), (0.025, 0.08), (0.10, 0.30))

_MAX_STEPS = 60


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """One most likely map.

    Attributes
    ----------
    matrix
        (3, 3), normalised to matrix[2, 2] = 1.
    cov
        (8, 8) covariance of its first eight entries for the click noise given.
    residuals
        (n, 2) destination minus mapped source, destination units.
    chi2
        Sum of squares of the residuals in units of their own noise, without the prior's share.
    cost
        The same with the prior's share.
    free
        Degrees of freedom left: equations plus used prior terms less parameters.
    evidence
        -2 ln of the marginal likelihood, up to a constant of points and model.
    noise
        The click noise used, as a factor on the assumed one.
    tilt
        The prior's standard deviations used, as for `fit_most_likely`.
    """

    matrix: FloatArray
    cov: FloatArray
    residuals: FloatArray
    chi2: float
    cost: float
    free: int
    evidence: float
    noise: float = 1.0
    tilt: tuple[float, float] | None = None


def fit_most_likely(
    source: FloatArray,
    destination: FloatArray,
    *,
    sigma_source: float,
    sigma_destination: float,
    model: str,
    mirrored: bool = False,
    tilt: tuple[float, float] | None = None,
    source_covs: FloatArray | None = None,
) -> Fit:
    """Return the most likely map at one tilt (no prior when None); all else as for `fit_levels`."""
    return fit_levels(
        source,
        destination,
        sigma_source=sigma_source,
        sigma_destination=sigma_destination,
        model=model,
        mirrored=mirrored,
        tilts=None if tilt is None else (tilt,),
        source_covs=source_covs,
    )[0]


def fit_levels(
    source: FloatArray,
    destination: FloatArray,
    *,
    sigma_source: float,
    sigma_destination: float,
    model: str,
    mirrored: bool = False,
    tilts: tuple[tuple[float, float], ...] | None = None,
    noises: tuple[float, ...] = (1.0,),
    source_covs: FloatArray | None = None,
) -> tuple[Fit, ...]:
    """Return the most likely maps for points that err on both sides, one for each noise and tilt.

    Gauss-Newton with damping on the first eight entries; the true source points are estimated
    along (Gauss-Helmert model: Förstner & Wrobel, Photogrammetric Computer Vision, sec. 4.8), so
    that with `sigma_source` = 0 this is least squares in the destination. All are fitted side by
    side: the matrices are small, and one call of numpy costs more than what it works out.

    Parameters
    ----------
    source, destination
        (n, 2) float64 point pairs.
    sigma_source, sigma_destination
        Standard deviation of a click's coordinate on either side, in the units of that side.
    model
        "similarity", "affine" or "homography".
    mirrored
        Whether the map turns the plane over (board axes y up to a photo y down).
    tilts
        Standard deviations (anisotropy, perspective at the farthest point) of priors on how far
        the map is from a similarity; None for no prior.
    noises
        Factors on both sigmas.
    source_covs
        (n, 2, 2) covariance of each source point in units of `sigma_source` squared; None where
        all err alike in both directions.

    Returns
    -------
    tuple of Fit
        For the first noise all tilts, then for the next.
    """
    t_source, t_destination = to_normal(source), to_normal(destination)
    x, y = map_points(t_source, source), map_points(t_destination, destination)
    covs = np.eye(2)[None] if source_covs is None else source_covs
    levels = [(factor, tilt) for factor in noises for tilt in (tilts or (None,))]
    square = np.array([factor for factor, _ in levels]) ** 2
    var_x = (sigma_source * t_source[0, 0]) ** 2 * square[:, None, None, None] * covs
    var_y = (sigma_destination * t_destination[0, 0]) ** 2 * square
    basis, start = start_of(x, y, model, mirrored, from_affine=tilts is not None)
    theta = np.tile(start, (len(levels), 1))
    precision = np.tile(_priors(x, y, model, mirrored, tilts), (len(noises), 1, 1))
    x_hat = np.tile(x, (len(levels), 1, 1))
    state = _evaluate(theta @ basis.T, x, y, x_hat, var_x, var_y, precision)
    damping = np.zeros(len(levels))
    todo = np.arange(len(levels))
    for _ in range(_MAX_STEPS):
        normal = basis.T @ state[2][todo] @ basis
        scaled = damping[todo, None, None] * (np.eye(basis.shape[1]) * normal)
        step = _solved(normal + scaled, state[3][todo] @ basis)
        trial = _evaluate(
            (theta[todo] + step) @ basis.T,
            x, y, state[4][todo], var_x[todo], var_y[todo], precision[todo],
        )  # fmt: skip
        lower = np.isfinite(trial[0]) & (trial[0] <= state[0][todo] * (1 + 1e-9) + 1e-12)
        taken = todo[lower]
        theta[taken] += step[lower]
        for kept, new in zip(state, trial, strict=True):
            kept[taken] = new[lower]
        before = damping[todo]
        damping[todo] = np.where(
            lower, np.where(before > 1e-9, before / 10, 0.0), np.maximum(before * 10, 1e-4)
        )
        ended = np.where(lower, np.abs(step).max(axis=1) < 1e-11, damping[todo] > 1e8)
        todo = todo[~ended]
        if len(todo) == 0:
            break
    cost, chi2, whole, _, _ = state
    normal = basis.T @ whole @ basis
    cov_h = basis @ np.linalg.pinv(normal, hermitian=True) @ basis.T
    log_det = np.linalg.slogdet(normal)[1]
    prior_terms = (np.linalg.eigvalsh(precision) > 0).sum(axis=1)
    matrices, covs = _denormal(theta @ basis.T, cov_h, t_source, t_destination)
    out = []
    for i, (factor, tilt) in enumerate(levels):
        terms = int(prior_terms[i])
        evidence = float(cost[i] + log_det[i])
        if tilt is not None:
            evidence += 4.0 * np.log(tilt[0]) + (4.0 * np.log(tilt[1]) if terms > 2 else 0.0)
        out.append(
            Fit(
                matrix=matrices[i],
                cov=covs[i],
                residuals=destination - map_points(matrices[i], source),
                chi2=float(chi2[i]),
                cost=float(cost[i]),
                free=2 * len(x) + terms - basis.shape[1],
                evidence=evidence,
                noise=factor,
                tilt=tilt,
            )
        )
    return tuple(out)


def _solved(normal: FloatArray, right: FloatArray) -> FloatArray:
    """Solutions (b, p) of symmetric systems (b, p, p); the shortest where one is singular."""
    try:
        out: FloatArray = np.linalg.solve(normal, right[..., None])[..., 0]
    except np.linalg.LinAlgError:
        out = (np.linalg.pinv(normal, hermitian=True) @ right[..., None])[..., 0]
    return out


def _mapped(h: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mapped points and their derivatives by point and by parameters.

    `h` (b, 8) and `x` (b, n, 2) give (b, n, 2), (b, n, 2, 2) and (b, n, 2, 8).
    """
    linear = h[:, [0, 1, 3, 4]].reshape(-1, 2, 2)
    w = x @ h[:, 6:8, None] + 1.0
    m = (x @ linear.transpose(0, 2, 1) + h[:, None, [2, 5]]) / w
    by_point = (linear[:, None] - m[..., None] * h[:, None, None, 6:8]) / w[..., None]
    by_parameter = np.zeros((*x.shape, 8))
    by_parameter[..., 0, 0:2] = by_parameter[..., 1, 3:5] = x
    by_parameter[..., 0, 2] = by_parameter[..., 1, 5] = 1.0
    by_parameter[..., 6:8] = -m[..., None] * x[..., None, :]
    return m, by_point, by_parameter / w[..., None]


def _priors(
    x: FloatArray,
    y: FloatArray,
    model: str,
    mirrored: bool,
    tilts: tuple[tuple[float, float], ...] | None,
) -> FloatArray:
    """(tilts, 8, 8) precision of the priors: zero-mean anisotropy, shear and perspective."""
    if tilts is None or model == "similarity":
        return np.zeros((1 if tilts is None else len(tilts), 8, 8))
    scale = float(np.hypot(*similarity_start(x, y, mirrored)[:2]))
    m = -1.0 if mirrored else 1.0
    stretch, shear = np.zeros(8), np.zeros(8)
    stretch[[0, 4]] = 0.5, -0.5 * m
    shear[[1, 3]] = 0.5 * m, 0.5
    stretches, perspectives = np.array(tilts).T[..., None, None]
    bends = np.outer(stretch, stretch) + np.outer(shear, shear)
    precision: FloatArray = bends / (scale * stretches) ** 2
    if model == "homography":
        radius = float(np.sqrt((x**2).sum(axis=1).max()))
        precision = precision + np.diag([0.0] * 6 + [1.0] * 2) * (radius / perspectives) ** 2
    return precision


def _evaluate(
    h: FloatArray,
    x: FloatArray,
    y: FloatArray,
    x_hat: FloatArray,
    var_x: FloatArray,
    var_y: FloatArray,
    precision: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Cost, its data share, normal matrix, right-hand side, estimated source points; b of each."""
    for _ in range(2 if var_x.any() else 1):
        mapped, by_point, by_parameter = _mapped(h, x_hat)
        residual = y - mapped - (by_point @ (x - x_hat)[..., None])[..., 0]
        spread = by_point @ var_x @ by_point.swapaxes(-1, -2)
        spread += var_y[:, None, None, None] * np.eye(2)
        weight = _inverse_2x2(spread)
        weighted = (weight @ residual[..., None])[..., 0]
        x_hat = x + (weighted[..., None, :] @ by_point @ var_x)[..., 0, :]
    chi2 = np.sum(residual * weighted, axis=(1, 2))
    flat = by_parameter.reshape(len(h), -1, 8)
    normal = flat.swapaxes(1, 2) @ (weight @ by_parameter).reshape(flat.shape) + precision
    held = (precision @ h[..., None])[..., 0]
    right = (weighted.reshape(len(h), 1, -1) @ flat)[:, 0] - held
    return chi2 + np.sum(h * held, axis=1), chi2, normal, right, x_hat


def _inverse_2x2(a: FloatArray) -> FloatArray:
    """Inverse of (..., 2, 2) symmetric matrices; a landmark fit asks for thousands of them."""
    determinant = a[..., 0, 0] * a[..., 1, 1] - a[..., 0, 1] * a[..., 1, 0]
    out = np.empty_like(a)
    out[..., 0, 0], out[..., 1, 1] = a[..., 1, 1], a[..., 0, 0]
    out[..., 0, 1], out[..., 1, 0] = -a[..., 0, 1], -a[..., 1, 0]
    out /= determinant[..., None, None]
    return out


def _denormal(
    h: FloatArray, cov_h: FloatArray, t_source: FloatArray, t_destination: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Matrices (b, 3, 3) of maps (b, 8) between the points as given, and (b, 8, 8) covariances."""
    back = np.linalg.inv(t_destination)
    matrix = back @ np.c_[h, np.ones(len(h))].reshape(-1, 3, 3) @ t_source
    scale = matrix[:, 2:, 2:]
    matrix = matrix / scale
    # Row by row, back @ D @ t is kron(back, t.T) times the entries of D.
    d = np.kron(back, t_source.T)[:, :8]
    j = ((d - matrix.reshape(-1, 9, 1) * d[8]) / scale)[:, :8]
    return matrix, j @ cov_h @ j.swapaxes(1, 2)
