"""Where the bodies of the parts lie in the cold picture, each for itself.

Bodies, their terminations and the solder around them differ from the mask in emissivity, and show
where the room is warmer or colder than the board. Nobody knows by how much: every body gets its own
contrasts, and its own shift.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import LinearOperator, cg

from hotspot.checks import FloatArray
from hotspot.register.drawn import Drawn, draw_bodies
from hotspot.register.slow import Slow

# Solder reaches this far beyond a body, mm (lands of the usual chips; common practice, no source).
SOLDER_MM = 0.2
# How far around a body what is left over is looked at, px.
AROUND_PX = 4.0
# A body counts where it stands out from what is left by this factor: by chance one of two hundred
# does in one picture of a hundred.
LEAST_SNR = 5.0
# Neighbouring shapes nearly repeat one another where bodies are as small as the blur: what the
# picture does not tell stays near nothing. Share of a shape's own square.
RIDGE = 1e-3
MOST_STEPS = 100


@dataclass(frozen=True, slots=True, eq=False)
class Bodies:
    """Bodies that the picture shows.

    Attributes
    ----------
    index
        (n,) which of the outlines.
    shift_px
        (n, 2) from where the outline was expected to where the body is.
    cov_px2
        (n, 2, 2) by what is left in the picture beside the bodies, taken as white.
    """

    index: NDArray[np.intp]
    shift_px: FloatArray
    cov_px2: FloatArray


def measure_bodies(
    outlines_px: FloatArray,
    *,
    cold: NDArray[np.float32],
    bad: NDArray[np.bool_],
    sigma_px: float,
    mm_per_px: float,
    board_px: FloatArray | None = None,
) -> Bodies:
    """Return where bodies lie near their outlines.

    First the contrasts of all bodies and of their ends, at once, so that neighbours do not pull at
    one another; then, in what these leave, how far each body as a whole is shifted (one
    Gauss-Newton step; Lucas & Kanade 1981).

    Parameters
    ----------
    outlines_px
        (n, 4, 2) corners as the registration has them.
    cold
        (rows, cols) cold picture.
    bad
        (rows, cols) pixels that say nothing.
    sigma_px
        Blur of the optics.
    mm_per_px
        Scale.
    board_px
        (4, 2) corners of the board, whose edge is a step in the picture, or None.
    """
    shape = cold.shape
    good = ~bad & np.isfinite(cold)
    known = np.where(good, cold, np.median(cold[good])).astype(np.float32)
    picture: FloatArray = np.where(good, known, cv2.medianBlur(known, 3)).reshape(-1).astype(float)
    count = len(outlines_px)
    drawn = draw_bodies(
        outlines_px, shape=shape, sigma_px=sigma_px, solder_px=SOLDER_MM / mm_per_px
    )
    if not drawn:
        return Bodies(np.zeros(0, np.intp), np.zeros((0, 2)), np.zeros((0, 2, 2)))
    slow = Slow(shape, board_px=board_px)
    fit_contrasts = _LeastSquares(drawn, [d.shapes for d in drawn], count=count, slow=slow)
    amounts, left = fit_contrasts(picture)
    moving = [np.sum(amounts[d.index][:, :, None, None] * d.slopes, axis=1) for d in drawn]
    shifts, _ = _LeastSquares(drawn, moving, count=count, slow=slow)(left)
    noise = _noise(left, shape=shape, outlines_px=outlines_px)
    information, own = np.zeros((count, 2, 2)), np.zeros(count)
    for d, m in zip(drawn, moving, strict=True):
        information[d.index] = m @ m.swapaxes(1, 2)
        own[d.index] = np.sum((amounts[d.index][:, None] @ d.shapes)[:, 0] ** 2, axis=1)
    kept = np.flatnonzero(
        (own > (LEAST_SNR * noise) ** 2)
        & _inside(outlines_px, shape=shape)
        & (np.linalg.det(information) > 0)
    )
    return Bodies(
        index=kept,
        shift_px=-shifts[kept],
        cov_px2=noise[kept, None, None] ** 2 * np.linalg.inv(information[kept]),
    )


def _inside(outlines_px: FloatArray, *, shape: tuple[int, int]) -> NDArray[np.bool_]:
    rows, cols = shape
    x, y = outlines_px[..., 0], outlines_px[..., 1]
    out: NDArray[np.bool_] = np.all((x > 1) & (x < cols - 2) & (y > 1) & (y < rows - 2), axis=1)
    return out


class _LeastSquares:
    """Amounts of drawn values (n, each, p) of each group that explain a picture best.

    What is slow is free: on a dense board, bodies together look much like shading.
    """

    def __init__(
        self, drawn: tuple[Drawn, ...], values: list[FloatArray], *, count: int, slow: Slow
    ) -> None:
        self._count, self._each, self._slow = count, values[0].shape[1], slow
        kept, at, column = [], [], []
        for d, v in zip(drawn, values, strict=True):
            inside = np.broadcast_to((d.at >= 0)[:, None], v.shape)
            number = self._each * d.index[:, None, None] + np.arange(self._each)[None, :, None]
            kept.append(v[inside])
            at.append(np.broadcast_to(d.at[:, None], v.shape)[inside])
            column.append(np.broadcast_to(number, v.shape)[inside])
        entries = (np.concatenate(kept), (np.concatenate(at), np.concatenate(column)))
        columns = self._count * self._each
        raw = sparse.csc_array(entries, shape=(slow.pixels, columns))
        norm: FloatArray = np.sqrt(np.asarray(raw.power(2).sum(axis=0)).reshape(-1))
        self._scale = 1.0 / np.where(norm > 0, norm, 1.0)
        self._design = raw @ sparse.diags_array(self._scale)
        gram = self._design.T @ self._design + RIDGE * sparse.eye_array(columns)
        shared = slow.seen_in(self._design)
        self._gram = LinearOperator(
            gram.shape, matvec=lambda x: gram @ x - shared.T @ (shared @ x), dtype=np.float64
        )

    def __call__(self, picture: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the amounts (count, each) and what is left (pixels,)."""
        target = picture - self._slow.fitted(picture)
        wanted: FloatArray = np.asarray(self._design.T @ target)
        found, _ = cg(self._gram, wanted, rtol=1e-4, maxiter=MOST_STEPS)
        explained: FloatArray = np.asarray(self._design @ found)
        left: FloatArray = target - explained + self._slow.fitted(explained)
        return (self._scale * found).reshape(self._count, self._each), left


def _noise(left: FloatArray, *, shape: tuple[int, int], outlines_px: FloatArray) -> FloatArray:
    """Return (n,) how much is left over in and around each body, rms.

    What is left is solder, traces and letters as well, stronger here than there.
    """
    rows, cols = shape
    square = cv2.GaussianBlur((left**2).reshape(shape), (0, 0), AROUND_PX)
    centre = np.nan_to_num(outlines_px.mean(axis=1))
    x, y = (
        np.clip(np.round(c), 0, m - 1).astype(int)
        for c, m in zip(centre.T, (cols, rows), strict=True)
    )
    out: FloatArray = np.sqrt(np.maximum(square[y, x], 1e-300))
    return out
