"""The arithmetic of a plane map: starting value, most likely map, its covariance.

Everything here works on points that are already known to be good; which clicks to trust is
decided in `clicks`, what to tell the technician in `landmarks`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hotspot.checks import FloatArray

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


def to_normal(points: FloatArray) -> FloatArray:
    """Return the (3, 3) similarity that brings points to centroid 0 and RMS distance sqrt(2).

    Hartley, "In defense of the eight-point algorithm", PAMI 19 (1997).
    """
    centre = points.mean(axis=0)
    spread = float(np.sqrt(((points - centre) ** 2).sum(axis=1).mean()))
    scale = np.sqrt(2.0) / spread
    return np.array([[scale, 0, -scale * centre[0]], [0, scale, -scale * centre[1]], [0, 0, 1.0]])


def map_points(matrix: FloatArray, points: FloatArray) -> FloatArray:
    """Return (n, 2) points mapped by a (3, 3) matrix."""
    u = np.c_[points, np.ones(len(points))] @ matrix.T
    out: FloatArray = u[:, :2] / u[:, 2:3]
    return out


def fit_homography_algebraic(source: FloatArray, destination: FloatArray) -> FloatArray:
    """Return the (3, 3) homography of the normalised direct linear transformation.

    Minimises the algebraic error; Hartley & Zisserman, Multiple View Geometry, 2e, alg. 4.2.
    """
    t_source, t_destination = to_normal(source), to_normal(destination)
    x = map_points(t_source, source)
    y = map_points(t_destination, destination)
    one, zero = np.ones((len(x), 1)), np.zeros((len(x), 3))
    h = np.c_[x, one]
    rows = np.r_[np.c_[h, zero, -y[:, :1] * h], np.c_[zero, h, -y[:, 1:] * h]]
    matrix = np.linalg.svd(rows, full_matrices=True)[2][-1].reshape(3, 3)
    matrix = np.linalg.inv(t_destination) @ matrix @ t_source
    out: FloatArray = matrix / matrix[2, 2]
    return out


def _affine_start(x: FloatArray, y: FloatArray) -> FloatArray:
    solution = np.linalg.lstsq(np.c_[x, np.ones(len(x))], y, rcond=None)[0]
    return np.array([*solution.T.ravel(), 0.0, 0.0])


def _similarity_basis(mirrored: bool) -> FloatArray:
    m = -1.0 if mirrored else 1.0
    basis = np.zeros((8, 4))
    basis[[0, 4], 0] = 1.0, m
    basis[[1, 3], 1] = -m, 1.0
    basis[2, 2] = basis[5, 3] = 1.0
    return basis


def _similarity_start(x: FloatArray, y: FloatArray, mirrored: bool) -> FloatArray:
    basis = _similarity_basis(mirrored)
    rows = np.zeros((2 * len(x), 8))
    rows[0::2, :2], rows[0::2, 2] = x, 1.0
    rows[1::2, 3:5], rows[1::2, 5] = x, 1.0
    out: FloatArray = np.linalg.lstsq(rows @ basis, y.ravel(), rcond=None)[0]
    return out


def is_mirrored(source: FloatArray, destination: FloatArray) -> bool:
    """Return whether the map turns the plane over; False when two points leave it open."""
    if len(source) < 3:
        return False
    x = map_points(to_normal(source), source)
    y = map_points(to_normal(destination), destination)
    costs = []
    for mirrored in (False, True):
        theta = _similarity_basis(mirrored) @ _similarity_start(x, y, mirrored)
        costs.append(float(((y - _mapped(theta, x)[0]) ** 2).sum()))
    return costs[1] < costs[0]


def _mapped(h: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mapped points and their derivatives by point and by parameters: (n, 2[, 2 or 8])."""
    linear = np.array([h[0:2], h[3:5]])
    w = x @ h[6:8] + 1.0
    m = (x @ linear.T + h[[2, 5]]) / w[:, None]
    by_point = (linear - m[:, :, None] * h[6:8]) / w[:, None, None]
    by_parameter = np.zeros((len(x), 2, 8))
    by_parameter[:, 0, 0:2] = by_parameter[:, 1, 3:5] = x
    by_parameter[:, 0, 2] = by_parameter[:, 1, 5] = 1.0
    by_parameter[:, :, 6:8] = -m[:, :, None] * x[:, None, :]
    return m, by_point, by_parameter / w[:, None, None]


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
    """Return the most likely map for points that err on both sides.

    Gauss-Newton with damping on the first eight entries; the true source points are estimated
    along (Gauss-Helmert model: Förstner & Wrobel, Photogrammetric Computer Vision, sec. 4.8), so
    that with `sigma_source` = 0 this is least squares in the destination.

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
    tilt
        Standard deviations (anisotropy, perspective at the farthest point) of the prior on how
        far the map is from a similarity; None for no prior.
    source_covs
        (n, 2, 2) covariance of each source point in units of `sigma_source` squared; None where
        all err alike in both directions.
    """
    t_source, t_destination = to_normal(source), to_normal(destination)
    x, y = map_points(t_source, source), map_points(t_destination, destination)
    covs = np.eye(2)[None] if source_covs is None else source_covs
    var_x = (sigma_source * t_source[0, 0]) ** 2 * covs
    var_y = (sigma_destination * t_destination[0, 0]) ** 2
    basis, theta = _start(x, y, model, mirrored, from_affine=tilt is not None)
    precision = _prior(x, y, model, mirrored, tilt)
    x_hat = x.copy()
    state = _evaluate(basis @ theta, x, y, x_hat, var_x, var_y, precision)
    damping = 0.0
    for _ in range(_MAX_STEPS):
        normal = basis.T @ state[2] @ basis
        gradient = basis.T @ state[3]
        damped = normal + damping * np.diag(np.diag(normal))
        step = np.linalg.lstsq(damped, gradient, rcond=None)[0]
        trial = _evaluate(basis @ (theta + step), x, y, state[4], var_x, var_y, precision)
        if np.isfinite(trial[0]) and trial[0] <= state[0] * (1 + 1e-9) + 1e-12:
            theta, state, damping = theta + step, trial, damping / 10 if damping > 1e-9 else 0.0
            if np.abs(step).max() < 1e-11:
                break
        else:
            damping = max(damping * 10, 1e-4)
            if damping > 1e8:
                break
    normal = basis.T @ state[2] @ basis
    h = basis @ theta
    cov_h = basis @ np.linalg.pinv(normal, hermitian=True) @ basis.T
    matrix, cov = _denormal(h, cov_h, t_source, t_destination)
    prior_terms = int((np.linalg.eigvalsh(precision) > 0).sum())
    evidence = state[0] + float(np.linalg.slogdet(normal)[1])
    if tilt is not None:
        evidence += 2.0 * np.log(tilt[0]) * 2 + (
            2.0 * np.log(tilt[1]) * 2 if prior_terms > 2 else 0
        )
    return Fit(
        matrix=matrix,
        cov=cov,
        residuals=destination - map_points(matrix, source),
        chi2=state[1],
        cost=state[0],
        free=2 * len(x) + prior_terms - basis.shape[1],
        evidence=evidence,
    )


def _start(
    x: FloatArray, y: FloatArray, model: str, mirrored: bool, *, from_affine: bool
) -> tuple[FloatArray, FloatArray]:
    if model == "similarity":
        return _similarity_basis(mirrored), _similarity_start(x, y, mirrored)
    if model == "affine":
        return np.eye(8)[:, :6], _affine_start(x, y)[:6]
    if from_affine or len(x) < 4:
        # From the similarity: a wrong click among few bends an affine start out of reach.
        return np.eye(8), _similarity_basis(mirrored) @ _similarity_start(x, y, mirrored)
    return np.eye(8), fit_homography_algebraic(x, y).ravel()[:8]


def _prior(
    x: FloatArray, y: FloatArray, model: str, mirrored: bool, tilt: tuple[float, float] | None
) -> FloatArray:
    """(8, 8) precision of the prior: zero-mean anisotropy, shear and perspective."""
    precision = np.zeros((8, 8))
    if tilt is None or model == "similarity":
        return precision
    scale = float(np.hypot(*_similarity_start(x, y, mirrored)[:2]))
    m = -1.0 if mirrored else 1.0
    stretch, shear = np.zeros(8), np.zeros(8)
    stretch[[0, 4]] = 0.5, -0.5 * m
    shear[[1, 3]] = 0.5 * m, 0.5
    for row in (stretch, shear):
        precision += np.outer(row, row) / (scale * tilt[0]) ** 2
    if model == "homography":
        radius = float(np.sqrt((x**2).sum(axis=1).max()))
        precision[[6, 7], [6, 7]] = (radius / tilt[1]) ** 2
    return precision


def _evaluate(
    h: FloatArray,
    x: FloatArray,
    y: FloatArray,
    x_hat: FloatArray,
    var_x: FloatArray,
    var_y: float,
    precision: FloatArray,
) -> tuple[float, float, FloatArray, FloatArray, FloatArray]:
    """Cost, its data share, normal matrix, right-hand side, estimated source points."""
    for _ in range(2 if var_x.any() else 1):
        mapped, by_point, by_parameter = _mapped(h, x_hat)
        residual = y - mapped - (by_point @ (x - x_hat)[:, :, None])[:, :, 0]
        spread = var_y * np.eye(2) + by_point @ var_x @ by_point.transpose(0, 2, 1)
        weight = _inverse_2x2(spread)
        weighted = (weight @ residual[:, :, None])[:, :, 0]
        x_hat = x + (weighted[:, None] @ by_point @ var_x)[:, 0]
    chi2 = float(residual.ravel() @ weighted.ravel())
    flat = by_parameter.reshape(-1, 8)
    normal = flat.T @ (weight @ by_parameter).reshape(-1, 8) + precision
    right = flat.T @ weighted.ravel() - precision @ h
    return chi2 + float(h @ precision @ h), chi2, normal, right, x_hat


def _inverse_2x2(a: FloatArray) -> FloatArray:
    """Inverse of (n, 2, 2) symmetric matrices; a landmark fit asks for thousands of them."""
    determinant = a[:, 0, 0] * a[:, 1, 1] - a[:, 0, 1] * a[:, 1, 0]
    out = np.empty_like(a)
    out[:, 0, 0], out[:, 1, 1] = a[:, 1, 1], a[:, 0, 0]
    out[:, 0, 1], out[:, 1, 0] = -a[:, 0, 1], -a[:, 1, 0]
    out /= determinant[:, None, None]
    return out


def _denormal(
    h: FloatArray, cov_h: FloatArray, t_source: FloatArray, t_destination: FloatArray
) -> tuple[FloatArray, FloatArray]:
    back = np.linalg.inv(t_destination)
    matrix = back @ np.append(h, 1.0).reshape(3, 3) @ t_source
    scale = matrix[2, 2]
    matrix = matrix / scale
    # Row by row, back @ D @ t is kron(back, t.T) times the entries of D.
    d = np.kron(back, t_source.T)[:, :8]
    j = ((d - np.outer(matrix.ravel(), d[8])) / scale)[:8]
    return matrix, j @ cov_h @ j.T
