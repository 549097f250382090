"""Plane maps in closed form: what an adjustment of clicks starts from."""

from __future__ import annotations

import numpy as np

from hotspot.checks import FloatArray


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


def similarity_basis(mirrored: bool) -> FloatArray:
    """Return what each of a similarity's four numbers is of a map's first eight entries (8, 4)."""
    m = -1.0 if mirrored else 1.0
    basis = np.zeros((8, 4))
    basis[[0, 4], 0] = 1.0, m
    basis[[1, 3], 1] = -m, 1.0
    basis[2, 2] = basis[5, 3] = 1.0
    return basis


def similarity_start(x: FloatArray, y: FloatArray, mirrored: bool) -> FloatArray:
    """Return the four numbers of the similarity x → y of least squares."""
    basis = similarity_basis(mirrored)
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
        theta = similarity_basis(mirrored) @ similarity_start(x, y, mirrored)
        mapped = map_points(np.append(theta, 1.0).reshape(3, 3), x)
        costs.append(float(((y - mapped) ** 2).sum()))
    return costs[1] < costs[0]


def start_of(
    x: FloatArray, y: FloatArray, model: str, mirrored: bool, *, from_affine: bool
) -> tuple[FloatArray, FloatArray]:
    """Return the basis (8, p) of a model's entries, and their starting values (p,)."""
    if model == "similarity":
        return similarity_basis(mirrored), similarity_start(x, y, mirrored)
    if model == "affine":
        return np.eye(8)[:, :6], _affine_start(x, y)[:6]
    if from_affine or len(x) < 4:
        # From the similarity: a wrong click among few bends an affine start out of reach.
        return np.eye(8), similarity_basis(mirrored) @ similarity_start(x, y, mirrored)
    return np.eye(8), fit_homography_algebraic(x, y).ravel()[:8]
