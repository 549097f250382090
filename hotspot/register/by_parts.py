"""The registration made better by the parts' bodies in the cold picture."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from hotspot.board import Board
from hotspot.checks import FloatArray
from hotspot.register.bodies import Bodies, measure_bodies
from hotspot.register.from_landmarks import WEAK_CORNERS
from hotspot.register.lens import lens_of
from hotspot.register.registration import PlaneMap, Registration

# The map is followed to where the bodies are until it moves no more than this, px: two pixels off
# take nine rounds. What still moves after so many has nothing to come to rest on.
STILL_PX, MOST_ROUNDS = 0.1, 12
# Bodies of the board in sight lie where the map then puts them, but for one in twenty by chance and
# a few that something else is taken for. Of places at random, which are bodies of another board,
# more than a quarter do not (in 76 recordings of `tests.benchmarks.exam` at most a fifth do not,
# with random places all but eight times more than a quarter).
OFF_SQUARE, MOST_OFF = -2 * float(np.log(0.05)), 0.25
# Parts are soldered and drawn to about this, mm (common practice, no source).
PLACED_SIGMA_MM = 0.05
# Fewer bodies than this do not tell their own scatter, and fewer than that no lens.
LEAST_BODIES, LEAST_FOR_LENS = 12, 30
# A shift is off where something beside the body is taken for it: tails of Student's t with so few
# degrees of freedom.
TAIL = 4.0
MOST_REWEIGHTINGS = 10
# Bodies that contradict the registration more than chance allows once in a thousand are other
# bodies: a row of equal parts, one pitch away.
CONTRADICTION = 1e-3
# Thermal lenses of 25 to 50 degrees shift the corners by up to about 5 % (common practice, no
# source): prior on k1, whose unit is that share. One is believed at so many sigma.
K1_SIGMA, LENS_SIGMAS = 0.05, 8.0
# Parts of a parallax, a warped board and a drawing that no map describes, px.
LEAST_SIGMA_PX = 0.1
# Larger pictures are looked at on half the grid: bodies are then many pixels wide.
MANY_PIXELS = 120_000


def refined_by_parts(
    registration: Registration,
    *,
    start: PlaneMap | None,
    board: Board | None,
    cold: NDArray[np.float32],
    bad: NDArray[np.bool_],
    sigma_px: float,
    board_mm: FloatArray | None,
) -> Registration:
    """Return the registration with what the parts' bodies add to it.

    Every body that the cold picture shows is a landmark with an error of its own; the map's
    parameters are updated with all of them (Kalman update; Kay, vol. 1, ch. 12), outliers having
    little weight, and the bodies' own scatter telling what their errors are worth. With fewer than
    a dozen bodies in sight, or with ones that contradict the registration or one another, it is
    left as it is.

    Parameters
    ----------
    registration
        From landmarks or otherwise.
    start
        Thermal px from board mm: where to begin to look, when better than the registration.
    board
        The part map.
    cold
        (rows, cols) cold picture.
    bad
        (rows, cols) pixels that say nothing.
    sigma_px
        Blur of the optics.
    board_mm
        (4, 2) the board's corners, or None where nobody knows them.
    """
    to_board = registration.board_from_thermal
    if board is None or to_board is None or board.units != "mm" or not board.parts:
        return registration
    prior = to_board.inverse()
    current = prior if start is None else start
    outlines_mm = np.array([p.corners_mm() for p in board.parts])
    middle = to_board.map(np.array([(cold.shape[1] - 1) / 2, (cold.shape[0] - 1) / 2]))
    scale = np.sqrt(abs(np.linalg.det(prior.jacobian(middle))))
    placed = (PLACED_SIGMA_MM * scale) ** 2 * np.eye(2)
    view = _View(cold, bad, sigma_px=sigma_px, mm_per_px=1.0 / scale)
    count = 0
    for _ in range(MOST_ROUNDS):
        bodies = view.bodies(current, outlines_mm=outlines_mm, board_mm=board_mm)
        count = len(bodies.index)
        if count < LEAST_BODIES:
            return registration
        mm = outlines_mm[bodies.index].mean(axis=1)
        seen_px, cov_px2 = current.map(mm) + bodies.shift_px, bodies.cov_px2 + placed
        better = _updated(prior, current, mm=mm, seen_px=seen_px, cov_px2=cov_px2, shape=cold.shape)
        if better is None:
            return registration
        moved = float(np.hypot(*(better.map(mm) - current.map(mm)).T).max())
        current = better
        if moved < STILL_PX:
            off = _squares(seen_px - current.map(mm), np.linalg.inv(cov_px2)) > OFF_SQUARE
            if np.mean(off) > MOST_OFF:
                return registration
            break
    else:
        return registration
    to_board = current.inverse()
    photo_from_thermal = registration.photo_from_thermal
    if photo_from_thermal is not None:
        # How photo and board lie on one another stays as it is, its error counted already.
        photo_from_board = replace(photo_from_thermal.after(prior), parameter_cov=np.zeros((8, 8)))
        photo_from_thermal = photo_from_board.after(to_board)
    return replace(
        registration,
        board_from_thermal=to_board,
        photo_from_thermal=photo_from_thermal,
        least_sigma_px=LEAST_SIGMA_PX,
        refined_by=f"{count} parts seen in the cold picture",
        # So many places know better than the clicks how good the map is between and beyond them.
        warnings=tuple(w for w in registration.warnings if not w.startswith(WEAK_CORNERS)),
    )


class _View:
    """The cold picture, on half its grid where it is large."""

    def __init__(
        self,
        cold: NDArray[np.float32],
        bad: NDArray[np.bool_],
        *,
        sigma_px: float,
        mm_per_px: float,
    ) -> None:
        self._factor = 2 if cold.size > MANY_PIXELS else 1
        rows, cols = (n // self._factor * self._factor for n in cold.shape)
        cold, bad = cold[:rows, :cols], bad[:rows, :cols] | ~np.isfinite(cold[:rows, :cols])
        if self._factor > 1:
            clean = np.where(bad, cv2.medianBlur(np.nan_to_num(cold), 3), cold)
            size = (cols // self._factor, rows // self._factor)
            cold = np.asarray(cv2.resize(clean, size, interpolation=cv2.INTER_AREA))
            bad = np.zeros(cold.shape, dtype=np.bool_)
        self._cold, self._bad = cold, bad
        self._sigma_px, self._mm_per_px = sigma_px / self._factor, mm_per_px * self._factor

    def bodies(
        self, thermal_from_board: PlaneMap, *, outlines_mm: FloatArray, board_mm: FloatArray | None
    ) -> Bodies:
        """Return the bodies near where a map puts them, in pixels of the whole grid."""

        def seen(points_mm: FloatArray) -> FloatArray:
            at = thermal_from_board.map(points_mm.reshape(-1, 2)).reshape(points_mm.shape)
            out: FloatArray = (at - (self._factor - 1) / 2) / self._factor
            return out

        found = measure_bodies(
            seen(outlines_mm),
            cold=self._cold,
            bad=self._bad,
            sigma_px=self._sigma_px,
            mm_per_px=self._mm_per_px,
            board_px=None if board_mm is None else seen(board_mm),
        )
        return replace(
            found,
            shift_px=found.shift_px * self._factor,
            cov_px2=found.cov_px2 * self._factor**2,
        )


def _updated(
    prior: PlaneMap,
    current: PlaneMap,
    *,
    mm: FloatArray,
    seen_px: FloatArray,
    cov_px2: FloatArray,
    shape: tuple[int, int],
) -> PlaneMap | None:
    """Return the map with points seen at other places, or None if they contradict it."""
    if prior.lens_after is not None or len(mm) >= LEAST_FOR_LENS:
        lens = current.lens_after or lens_of(shape, k1=0.0, k1_sigma=K1_SIGMA)
        bent = _solved(
            prior,
            replace(current, lens_after=lens),
            mm=mm,
            seen_px=seen_px,
            cov_px2=cov_px2,
        )
        found = None if bent is None else bent.lens_after
        if prior.lens_after is not None or (
            found is not None and abs(found.k1) > LENS_SIGMAS * found.k1_sigma
        ):
            return bent
    straight = replace(current, lens_after=None, lens_cov=np.zeros(8))
    return _solved(prior, straight, mm=mm, seen_px=seen_px, cov_px2=cov_px2)


@dataclass(frozen=True, slots=True, eq=False)
class _Parameters:
    """What a map is made of: its eight entries and the lens, as a prior tells them.

    Attributes
    ----------
    start
        (p,) most likely.
    basis
        (p, k) directions in which they are not certain, one sigma long.
    """

    start: FloatArray
    basis: FloatArray


def _parameters(prior: PlaneMap, *, bent: bool) -> _Parameters:
    start, cov = prior.matrix.ravel()[:8], prior.parameter_cov
    if bent:
        lens = prior.lens_after
        start = np.append(start, 0.0 if lens is None else lens.k1)
        cov = np.zeros((9, 9))
        cov[:8, :8] = prior.parameter_cov
        cov[:8, 8] = cov[8, :8] = prior.lens_cov
        cov[8, 8] = (K1_SIGMA if lens is None else lens.k1_sigma) ** 2
    # Entries differ by orders of magnitude; what the model fixes has no error and stays.
    sigma = np.sqrt(np.diag(cov))
    scale = np.where(sigma > 0, sigma, 1.0)
    values, vectors = np.linalg.eigh(cov / np.outer(scale, scale))
    free = values > 1e-9 * values.max()
    return _Parameters(start, scale[:, None] * vectors[:, free] * np.sqrt(values[free]))


def _solved(
    prior: PlaneMap,
    current: PlaneMap,
    *,
    mm: FloatArray,
    seen_px: FloatArray,
    cov_px2: FloatArray,
) -> PlaneMap | None:
    """Return the most likely map near a current one, with a lens where that has one."""
    lens = current.lens_after
    parameters = _parameters(prior, bent=lens is not None)
    theta = current.matrix.ravel()[:8]
    by = current.parameter_derivative(mm)
    if lens is not None:
        theta = np.append(theta, lens.k1)
        by = np.concatenate([by, current.lens_derivative(mm)[:, :, None]], axis=2)
    by_z = by @ parameters.basis
    # Linear about where the map is now, in steps from the prior.
    innovation = seen_px - current.map(mm) + by @ (theta - parameters.start)
    weight_px = np.linalg.inv(cov_px2)
    z = np.zeros(by_z.shape[2])
    precision = np.eye(len(z))
    for _ in range(MOST_REWEIGHTINGS):
        error = innovation - by_z @ z
        square = _squares(error, weight_px)
        # Half of the squares of plane normal errors lie below 2 ln 2.
        spread = max(1.0, float(np.median(square)) / (2 * np.log(2.0)))
        weight = (TAIL + 2.0) / (TAIL + square / spread) / spread
        weighted = by_z.swapaxes(1, 2) @ (weight[:, None, None] * weight_px)
        precision = np.eye(len(z)) + np.sum(weighted @ by_z, axis=0)
        z = np.linalg.solve(precision, np.sum(weighted @ innovation[:, :, None], axis=0)[:, 0])
    if chdtrc(len(z), float(z @ z)) < CONTRADICTION:
        return None
    found = parameters.start + parameters.basis @ z
    cov = parameters.basis @ np.linalg.inv(precision) @ parameters.basis.T
    better = replace(
        current,
        matrix=np.append(found[:8], 1.0).reshape(3, 3),
        parameter_cov=0.5 * (cov + cov.T)[:8, :8],
    )
    if lens is None:
        return better
    return replace(
        better,
        lens_after=replace(lens, k1=float(found[8]), k1_sigma=float(np.sqrt(cov[8, 8]))),
        lens_cov=cov[:8, 8],
    )


def _squares(error: FloatArray, weight: FloatArray) -> FloatArray:
    """Return (n,) squares of errors (n, 2) in units of their weights' (n, 2, 2)."""
    out: FloatArray = np.einsum("ni,nij,nj->n", error, weight, error)
    return out
