"""Where on the photo could this thermal picture lie? Coarse search over place, size and turn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from hotspot.checks import FloatArray
from hotspot.register.edges import Field, find_edges

_COARSE_WIDTH = 96  # px; an IC of 5 mm is still 5-20 px, and an FFT takes milliseconds
_SCALE_STEP = 1.06  # half a step moves the rim of the picture by 1.4 coarse px, about the blur
_WIDEN_PX = 1.0
_ANGLE_BINS = 90  # of one degree over a quarter turn


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A place where the thermal picture may lie on the target picture.

    Attributes
    ----------
    matrix
        (3, 3) thermal px → target px, a similarity.
    score
        Correlation of the edge fields in units of its scatter over all shifts.
    """

    matrix: FloatArray
    score: float


def find_candidates(
    thermal: NDArray[Any],
    target: NDArray[Any],
    *,
    scale_range: tuple[float, float],
    keep: int = 10,
) -> tuple[Candidate, ...]:
    """Return the best places of the thermal picture on the target, best first.

    Board edges and parts run along two axes: comparing how often edges take each direction gives
    the turn up to quarter turns; all sizes in the range, four quarter turns and every shift are
    then compared by correlating the edge fields (FFT).

    Parameters
    ----------
    thermal, target
        (rows, cols) float32 pictures.
    scale_range
        Least and greatest number of target pixels per thermal pixel.
    keep
        How many places to return at most.
    """
    shrink = min(1.0, _COARSE_WIDTH / thermal.shape[1])
    small = cv2.resize(thermal, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    field = _widen(find_edges(small, blur_px=1.0))
    turns = _turns(thermal, target)
    count = int(np.ceil(np.log(scale_range[1] / scale_range[0]) / np.log(_SCALE_STEP))) + 1
    scales = scale_range[0] * _SCALE_STEP ** np.arange(count)
    found: list[Candidate] = []
    for turn in turns:
        for scale in scales:
            found += _search(field, small.shape, thermal.shape, target, scale, shrink, turn)
    found.sort(key=lambda c: -c.score)
    kept: list[Candidate] = []
    corners = _corners(thermal.shape)
    for candidate in found:
        here = _map(candidate.matrix, corners)
        size = np.sqrt(abs(np.linalg.det(candidate.matrix[:2, :2])))
        near = 0.06 * thermal.shape[1] * size
        if all(np.abs(here - _map(k.matrix, corners)).max() > near for k in kept):
            kept.append(candidate)
        if len(kept) == keep:
            break
    return tuple(kept)


def _widen(field: Field) -> Field:
    """Return the field spread over its neighbourhood.

    Half a step in size and a degree or two in turn move the picture's rim by 2 coarse pixels: the
    field of a board full of chip parts must still overlap with itself there.
    """
    return np.asarray(cv2.GaussianBlur(field, (0, 0), _WIDEN_PX), dtype=np.float32)


def _corners(shape: tuple[int, ...]) -> FloatArray:
    rows, cols = shape[:2]
    return np.array([[0, 0], [cols - 1, 0], [cols - 1, rows - 1], [0, rows - 1]], dtype=np.float64)


def _map(matrix: FloatArray, points: FloatArray) -> FloatArray:
    u = np.c_[points, np.ones(len(points))] @ matrix.T
    out: FloatArray = u[:, :2] / u[:, 2:]
    return out


def _turns(thermal: NDArray[Any], target: NDArray[Any]) -> list[float]:
    """Angles in rad (mod 90 deg) by which the target's axes are turned against the thermal's."""
    histograms = []
    for picture in (thermal, target):
        shrink = min(1.0, 320 / max(picture.shape))
        small = cv2.resize(picture, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        field = find_edges(small, blur_px=1.2)[6:-6, 6:-6]
        weight = np.hypot(field[..., 0], field[..., 1])
        angle = np.degrees(np.arctan2(field[..., 1], field[..., 0])) / 2.0 % 90.0
        counts = np.histogram(angle, _ANGLE_BINS, (0, 90), weights=weight**2)[0]
        spread = np.exp(-0.5 * (np.arange(-6, 7) / 2.0) ** 2)
        smooth = np.convolve(np.r_[counts[-6:], counts, counts[:6]], spread, "valid")
        histograms.append(smooth - smooth.mean())
    products = np.array([(np.roll(histograms[0], k) * histograms[1]).sum() for k in range(90)])
    best = int(np.argmax(products))
    turns = [best]
    # A second direction only where it is nearly as good: boards with slanted parts.
    apart = np.minimum((np.arange(90) - best) % 90, (best - np.arange(90)) % 90) > 8
    second = int(np.argmax(np.where(apart, products, -np.inf)))
    if products[second] > 0.6 * products[best]:
        turns.append(second)
    return [float(np.deg2rad(t)) for t in turns]


def _search(
    field: Field,
    small_shape: tuple[int, ...],
    thermal_shape: tuple[int, ...],
    target: NDArray[Any],
    scale: float,
    shrink: float,
    turn: float,
) -> list[Candidate]:
    """Best shifts at one size and turn, for the four quarter turns."""
    # The target, turned so that its axes lie along the thermal picture's and shrunk to its size.
    reduce = shrink / scale  # coarse px per target px
    rows, cols = target.shape
    c, s = np.cos(turn), np.sin(turn)
    box = np.array([abs(c) * cols + abs(s) * rows, abs(s) * cols + abs(c) * rows]) * reduce
    size = tuple(int(np.ceil(b)) + 1 for b in box)
    if min(size) < 12:
        return []
    turned_from_target = np.eye(3)
    turned_from_target[:2, :2] = reduce * np.array([[c, s], [-s, c]])
    middle = np.array([(cols - 1) / 2, (rows - 1) / 2])
    turned_from_target[:2, 2] = (np.array(size) - 1) / 2 - turned_from_target[:2, :2] @ middle
    source = target
    step = np.eye(3)
    if reduce < 0.7:
        # warpAffine does not average: shrink first.
        source = cv2.resize(target, None, fx=reduce, fy=reduce, interpolation=cv2.INTER_AREA)
        fx, fy = source.shape[1] / cols, source.shape[0] / rows
        step = np.array([[1 / fx, 0, 0.5 / fx - 0.5], [0, 1 / fy, 0.5 / fy - 0.5], [0, 0, 1]])
    warp = (turned_from_target @ step)[:2]
    turned = cv2.warpAffine(source, warp, size, borderMode=cv2.BORDER_REPLICATE)
    inside = cv2.warpAffine(np.ones_like(source), warp, size) > 0.99
    picture = _widen(find_edges(turned, blur_px=1.0, mask=inside))
    found: list[Candidate] = []
    energy = (picture**2).sum(axis=2)
    pad = max(small_shape)
    shape = [fft.next_fast_len(n + pad) for n in picture.shape[:2]]
    spectrum = fft.fft2(picture[..., 0] + 1j * picture[..., 1], shape)
    total = float((field**2).sum())
    for quarter in range(4):
        turned_field = np.rot90(field, quarter) * (-1.0) ** quarter
        h, w = turned_field.shape[:2]
        template = turned_field[..., 0] + 1j * turned_field[..., 1]
        product = fft.ifft2(spectrum * np.conj(fft.fft2(template, shape))).real
        # Shifts from -(h-1) .. rows-1: bring negative ones to the front.
        product = np.roll(product, (h - 1, w - 1), (0, 1))
        product = product[: picture.shape[0] + h - 1, : picture.shape[1] + w - 1]
        padded = cv2.copyMakeBorder(energy, h - 1, h - 1, w - 1, w - 1, cv2.BORDER_CONSTANT)
        sums = cv2.integral(padded)
        under = sums[h:, w:] - sums[:-h, w:] - sums[h:, :-w] + sums[:-h, :-w]
        # At least a third of the usual amount of edges must lie under the thermal picture.
        floor = 0.33 * total
        score = product / np.sqrt(total * np.maximum(under, floor))
        spread = float(score[under > floor].std()) if (under > floor).any() else 1.0
        # In units of its own scatter over all shifts: sizes and turns become comparable.
        score = score / max(spread, 1e-6)
        for _ in range(2):
            row, col = np.unravel_index(int(np.argmax(score)), score.shape)
            shift = np.array([col - (w - 1), row - (h - 1)], dtype=np.float64)
            found.append(
                Candidate(
                    _candidate_matrix(
                        shift, quarter, small_shape, thermal_shape, turned_from_target
                    ),
                    float(score[row, col]),
                )
            )
            score[max(0, row - 4) : row + 5, max(0, col - 4) : col + 5] = -np.inf
    return found


def _candidate_matrix(
    shift: FloatArray,
    quarter: int,
    small_shape: tuple[int, ...],
    thermal_shape: tuple[int, ...],
    turned_from_target: FloatArray,
) -> FloatArray:
    rows, cols = small_shape[:2]
    # np.rot90 turns counter-clockwise: pixel (x, y) of an array of `cols` columns → (y, cols-1-x).
    rotated = np.eye(3)
    width, height = cols, rows
    for _ in range(quarter):
        rotated = np.array([[0, 1, 0], [-1, 0, width - 1], [0, 0, 1.0]]) @ rotated
        width, height = height, width
    fx, fy = cols / thermal_shape[1], rows / thermal_shape[0]
    small_from_thermal = np.array([[fx, 0, 0.5 * fx - 0.5], [0, fy, 0.5 * fy - 0.5], [0, 0, 1.0]])
    move = np.array([[1, 0, shift[0]], [0, 1, shift[1]], [0, 0, 1.0]])
    out: FloatArray = np.linalg.inv(turned_from_target) @ move @ rotated @ small_from_thermal
    return np.asarray(out / out[2, 2])
