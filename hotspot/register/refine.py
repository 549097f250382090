"""From a coarse place to a map with an error bar: the thermal picture matched block by block.

Each block's edge field is compared with the target's at all small shifts; the shifts of all blocks
together correct the map. How well the blocks agree afterwards is also what tells a right place
from a wrong one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.register.edges import Field, find_edges

_BLOCKS_ACROSS = 6
_BLUR_PX = 1.3
# Edge pixels within about this many pixels of one another are one and the same observation:
# 2 pi sigma^2 for the smoothing above, both sides.
_CORRELATED_PX2 = 20.0
# A block counts as agreeing within this; a block on nothing common falls there by chance once in
# 24 (the circle's share of the 13 x 13 search window).
_AGREE_PX = 1.5
_FIRM = 0.15  # least ratio of curvatures along and across: below, the block is one straight edge
# Prior on how far the map may bend away from the similarity it started from, at the picture's
# rim, in shares of the half picture: 5 % for stretch and shear, 8 % for perspective (see
# `fitting.TILT_LEVELS`, hand-held).
_STRETCH, _PERSPECTIVE = 0.05, 0.08


@dataclass(frozen=True, slots=True, eq=False)
class Match:
    """A refined place.

    Attributes
    ----------
    matrix
        (3, 3) thermal px → target px.
    correction_cov
        (8, 8) covariance of the first eight entries of the map thermal px → thermal px that the
        last step would put before `matrix` (identity at the end).
    correlation
        Of the edge fields over the whole overlap, -1..1.
    blocks
        Number of blocks with enough edges, in more than one direction, on both sides.
    agreeing
        Number of those whose own best shift is where the map says.
    rms_px
        RMS of the agreeing blocks' shifts, thermal px.
    overlap
        Share of the thermal picture that lies on the target.
    """

    matrix: FloatArray
    correction_cov: FloatArray
    correlation: float
    blocks: int
    agreeing: int
    rms_px: float
    overlap: float


def to_thermal_frame(
    target: NDArray[Any], matrix: FloatArray, *, shape: tuple[int, int]
) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Return the target as the thermal camera would see it, and where it is known."""
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2, 1.0])
    u = matrix @ middle
    jacobian = (matrix[:2, :2] - np.outer(u[:2] / u[2], matrix[2, :2])) / u[2]
    scale = float(np.sqrt(abs(np.linalg.det(jacobian))))
    source, step = target, np.eye(3)
    if scale > 1.4:
        # warpPerspective does not average: shrink to about the thermal resolution first.
        factor = 1.2 / scale
        size = tuple(max(2, round(n * factor)) for n in target.shape[::-1])
        source = cv2.resize(target, size, interpolation=cv2.INTER_AREA)
        fx, fy = size[0] / target.shape[1], size[1] / target.shape[0]
        step = np.array([[fx, 0, 0.5 * fx - 0.5], [0, fy, 0.5 * fy - 0.5], [0, 0, 1]])
    warp = step @ matrix
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    seen = cv2.warpPerspective(
        source, warp, shape[::-1], flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    ones = np.ones(source.shape, np.float32)
    inside = cv2.warpPerspective(ones, warp, shape[::-1], flags=flags) > 0.99
    return seen, inside


def refine(
    thermal: NDArray[Any],
    target: NDArray[Any],
    matrix: FloatArray,
    *,
    radii: tuple[int, ...] = (8, 6, 4, 3, 3),
) -> Match | None:
    """Return the refined place, or None when the pictures lose touch.

    Parameters
    ----------
    thermal, target
        (rows, cols) float32 pictures.
    matrix
        (3, 3) thermal px → target px to start from.
    radii
        Search radius in thermal px of each round.
    """
    field = find_edges(thermal, blur_px=_BLUR_PX)
    field[:4], field[-4:], field[:, :4], field[:, -4:] = 0, 0, 0, 0
    shape = (thermal.shape[0], thermal.shape[1])
    current: FloatArray = np.array(matrix, dtype=np.float64)
    cov: FloatArray = np.zeros((8, 8))
    for radius in radii:
        other, inside = _target_field(target, current, shape)
        if inside.mean() < 0.15:
            return None
        shifts = _block_shifts(field, other, inside, radius=radius)
        if len(shifts) < 4:
            return None
        correction, cov = _correct(shifts, shape, current)
        current = current @ correction
        current = current / current[2, 2]
        if not np.isfinite(current).all() or _bent(current, shape):
            return None
    other, inside = _target_field(target, current, shape)
    shifts = _block_shifts(field, other, inside, radius=6)
    if len(shifts) < 4:
        return None
    firm = [s for s in shifts if s.is_firm]
    near = [s for s in firm if _agrees(s)]
    rms = float(np.sqrt(np.mean([s.shift @ s.shift for s in near]))) if near else np.inf
    both = float((field[inside] ** 2).sum() * (other[inside] ** 2).sum())
    return Match(
        matrix=current,
        correction_cov=cov,
        correlation=float((field * other).sum() / np.sqrt(both + 1e-12)),
        blocks=len(firm),
        agreeing=len(near),
        rms_px=rms,
        overlap=float(inside.mean()),
    )


def _target_field(
    target: NDArray[Any], matrix: FloatArray, shape: tuple[int, int]
) -> tuple[Field, NDArray[np.bool_]]:
    seen, inside = to_thermal_frame(target, matrix, shape=shape)
    other = find_edges(seen, blur_px=_BLUR_PX, mask=inside)
    other[:4], other[-4:], other[:, :4], other[:, -4:] = 0, 0, 0, 0
    return other, inside


@dataclass(frozen=True, slots=True, eq=False)
class _Shift:
    centre: FloatArray  # (2,) thermal px
    shift: FloatArray  # (2,) target minus thermal, px
    information: FloatArray  # (2, 2) inverse covariance of the shift
    peak: float
    is_firm: bool  # edges in more than one direction: no shift along them goes unseen


def _agrees(s: _Shift) -> bool:
    """Whether a block's own best place is where the map says, to 1.5 px."""
    return bool(s.shift @ s.shift <= _AGREE_PX**2)


def _block_shifts(
    field: Field, other: Field, inside: NDArray[np.bool_], *, radius: int
) -> list[_Shift]:
    rows, cols = inside.shape
    size = cols // _BLOCKS_ACROSS
    down = max(2, round(rows / size))
    padded = cv2.copyMakeBorder(other, radius, radius, radius, radius, cv2.BORDER_CONSTANT)
    strength = (field**2).sum(axis=2)
    other_strength = (other**2).sum(axis=2)
    usual = float(strength[inside].mean())
    other_usual = float(other_strength[inside].mean())
    out: list[_Shift] = []
    for top in np.linspace(0, rows - size, down).astype(int):
        for left in np.linspace(0, cols - size, _BLOCKS_ACROSS).astype(int):
            block = np.s_[top : top + size, left : left + size]
            if inside[block].mean() < 0.7:
                continue
            if strength[block].mean() < 0.15 * usual:
                continue
            if other_strength[block].mean() < 0.15 * other_usual:
                continue
            window = padded[top : top + size + 2 * radius, left : left + size + 2 * radius]
            surface = cv2.matchTemplate(
                np.ascontiguousarray(window),
                np.ascontiguousarray(field[block]),
                cv2.TM_CCORR_NORMED,
            )
            out.append(_read_peak(surface, radius, top, left, size))
    return out


def _read_peak(surface: NDArray[Any], radius: int, top: int, left: int, size: int) -> _Shift:
    row, col = np.unravel_index(int(np.argmax(surface)), surface.shape)
    peak = float(surface[row, col])
    r = int(np.clip(row, 1, surface.shape[0] - 2))
    c = int(np.clip(col, 1, surface.shape[1] - 2))
    s = surface[r - 1 : r + 2, c - 1 : c + 2].astype(np.float64)
    gx, gy = (s[1, 2] - s[1, 0]) / 2, (s[2, 1] - s[0, 1]) / 2
    hxx, hyy = s[1, 2] - 2 * s[1, 1] + s[1, 0], s[2, 1] - 2 * s[1, 1] + s[0, 1]
    hxy = (s[2, 2] - s[2, 0] - s[0, 2] + s[0, 0]) / 4
    curvature = -np.array([[hxx, hxy], [hxy, hyy]])
    values, vectors = np.linalg.eigh(curvature)
    values = np.maximum(values, 1e-4)
    is_firm = bool(values[0] > _FIRM * values[1])
    curvature = vectors @ np.diag(values) @ vectors.T
    step = np.clip(np.linalg.solve(curvature, [gx, gy]), -0.7, 0.7)
    # Gaussian noise: ln L = -N/2 ln(1 - c^2); its second derivative at the peak.
    n = size * size / _CORRELATED_PX2
    weight = n * max(peak, 0.0) / max(1.0 - peak**2, 0.05)
    at_edge = row in (0, surface.shape[0] - 1) or col in (0, surface.shape[1] - 1)
    information = curvature * weight * (0.05 if at_edge else 1.0)
    return _Shift(
        centre=np.array([left + (size - 1) / 2, top + (size - 1) / 2]),
        shift=np.array([c - radius, r - radius]) + step,
        information=information,
        peak=peak,
        is_firm=is_firm,
    )


def _correct(
    shifts: list[_Shift],
    shape: tuple[int, int],
    current: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Map thermal px → thermal px that takes the shifts up, and the covariance of its entries."""
    half = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    unit = float(half.max())
    rows, infos, values = [], [], []
    for s in shifts:
        x, y = (s.centre - half) / unit
        rows.append(
            unit
            * np.array([[x, y, 1, 0, 0, 0, -x * x, -x * y], [0, 0, 0, x, y, 1, -x * y, -y * y]])
        )
        infos.append(s.information)
        values.append(s.shift)
    a, w, d = np.array(rows), np.array(infos), np.array(values)
    # The prior holds the whole map to the similarity nearest to it, not each step to no change.
    prior, pull = _bend_prior(current, half, unit)
    parameters = np.zeros(8)
    robust = np.ones(len(d))
    for _ in range(6):
        weighted = w * robust[:, None, None]
        normal = np.einsum("nia,nij,njb->ab", a, weighted, a) + prior
        right = np.einsum("nia,nij,nj->a", a, weighted, d) + pull
        parameters = np.linalg.solve(normal, right)
        residual = d - a @ parameters
        misfit = np.einsum("ni,nij,nj->n", residual, w, residual)
        # Cauchy weights: blocks on tall parts or on nothing common are let go.
        scale = max(1.0, float(np.median(misfit)) / 1.39)
        robust = 1.0 / (1.0 + misfit / (4.0 * scale)) / scale
    cov_unit = np.linalg.inv(normal)
    to_unit = np.array([[1 / unit, 0, -half[0] / unit], [0, 1 / unit, -half[1] / unit], [0, 0, 1]])
    back = np.linalg.inv(to_unit)
    correction = back @ (np.eye(3) + np.append(parameters, 0.0).reshape(3, 3)) @ to_unit
    columns = []
    for i in range(8):
        e = np.zeros(9)
        e[i] = 1.0
        m = back @ e.reshape(3, 3) @ to_unit
        columns.append((m - np.eye(3) * m[2, 2]).ravel()[:8])
    j = np.array(columns).T
    return correction / correction[2, 2], j @ cov_unit @ j.T


def _bend_prior(
    current: FloatArray, half: FloatArray, unit: float
) -> tuple[FloatArray, FloatArray]:
    """Precision (8, 8) and pull (8,) of the prior on the correction in unit coordinates."""
    back = np.array([[unit, 0, half[0]], [0, unit, half[1]], [0, 0, 1]])
    m = current @ back
    m = m / m[2, 2]
    # Perspective of the present map, and stretch and shear of its derivative at the centre.
    j = m[:2, :2] - np.outer(m[:2, 2], m[2, :2])
    size = np.sqrt(abs(np.linalg.det(j)))
    turn = np.arctan2(j[1, 0] - j[0, 1], j[0, 0] + j[1, 1])
    c, s = np.cos(turn), np.sin(turn)
    straight = np.array([[c, s], [-s, c]]) @ j / size
    bend = np.array([(straight[0, 0] - straight[1, 1]) / 2, (straight[0, 1] + straight[1, 0]) / 2])
    stretch, shear = np.zeros(8), np.zeros(8)
    stretch[[0, 4]] = 0.5, -0.5
    shear[[1, 3]] = 0.5, 0.5
    precision, pull = np.zeros((8, 8)), np.zeros(8)
    for row, present in ((stretch, bend[0]), (shear, bend[1])):
        precision += np.outer(row, row) / _STRETCH**2
        pull -= row * present / _STRETCH**2
    for i in (6, 7):
        precision[i, i] = 1.0 / _PERSPECTIVE**2
        pull[i] = -m[2, i - 6] / _PERSPECTIVE**2
    return precision, pull


def _bent(matrix: FloatArray, shape: tuple[int, int]) -> bool:
    """Whether the map has left what a camera over a board can see."""
    rows, cols = shape
    corners = np.array([[0, 0, 1], [cols - 1, 0, 1], [cols - 1, rows - 1, 1], [0, rows - 1, 1.0]])
    w = corners @ matrix[2]
    return bool((w <= 0).any() or w.max() > 1.8 * w.min())
