"""Radial distortion of a camera's lens: straight lines that bulge or pinch towards the corners."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hotspot.checks import FloatArray

# Beyond this a barrel turns over before the corner (1 + 3 k1 r² = 0 where r_d = 1 at k1 = -4/27).
MOST_K1 = 0.14
_NEWTON_STEPS = 12  # from a start within a tenth of the answer: exact to rounding after five


@dataclass(frozen=True, slots=True, eq=False)
class Lens:
    """Radial distortion of the first order.

    A point that a lens without distortion would show at u (from the centre, in units of
    `radius_px`) is seen at u (1 + k1 |u|²): the first term of Brown's model (Photogrammetric
    Engineering 37 (1971)), as in OpenCV with a focal length of `radius_px`.

    Attributes
    ----------
    k1, k1_sigma
        Coefficient, negative for a barrel, and its standard deviation. With the radius half the
        diagonal, k1 is the shift of the corners as a share of half the diagonal.
    centre_px
        (2,) centre of distortion.
    radius_px
        Unit of length.
    """

    k1: float
    k1_sigma: float
    centre_px: FloatArray
    radius_px: float

    def straightened(self, points: FloatArray) -> FloatArray:
        """Return seen points (n, 2) or (2,) as a lens without distortion would show them."""
        seen = (np.asarray(points, dtype=np.float64) - self.centre_px) / self.radius_px
        far = np.sqrt((seen**2).sum(axis=-1, keepdims=True))
        # A barrel shows nothing farther out than where it turns over.
        turn = np.sqrt(-1.0 / (3.0 * self.k1)) if self.k1 < 0 else np.inf
        reach = np.minimum(far, turn * (2.0 / 3.0))
        straight = np.minimum(reach, 0.999 * turn)
        for _ in range(_NEWTON_STEPS):
            slope = np.maximum(1.0 + 3.0 * self.k1 * straight**2, 1e-3)
            straight = straight - (straight * (1.0 + self.k1 * straight**2) - reach) / slope
            straight = np.clip(straight, 0.0, turn)
        factor = np.where(far > 0, straight / np.where(far > 0, far, 1.0), 1.0)
        out: FloatArray = self.centre_px + self.radius_px * seen * factor
        return out

    def bent(self, points: FloatArray) -> FloatArray:
        """Return points (n, 2) or (2,) of a straight picture as this lens shows them."""
        u = (np.asarray(points, dtype=np.float64) - self.centre_px) / self.radius_px
        square = (u**2).sum(axis=-1, keepdims=True)
        if self.k1 < 0:
            # Farther out than where it turns over: kept there, monotonous.
            square = np.minimum(square, -1.0 / (3.0 * self.k1))
        out: FloatArray = self.centre_px + self.radius_px * u * (1.0 + self.k1 * square)
        return out

    def bent_by(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the derivatives of `bent` points (..., 2): by the point, and by k1 (..., 2)."""
        u = (np.asarray(points, dtype=np.float64) - self.centre_px) / self.radius_px
        square = (u**2).sum(axis=-1, keepdims=True)
        by_point = (1.0 + self.k1 * square)[..., None] * np.eye(2) + 2.0 * self.k1 * (
            u[..., :, None] * u[..., None, :]
        )
        return by_point, self.radius_px * square * u

    def straightened_by(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the derivatives of `straightened` points (..., 2): by the point and by k1."""
        by_point, by_k1 = self.bent_by(self.straightened(points))
        back = np.linalg.inv(by_point)
        return back, -(back @ by_k1[..., None])[..., 0]

    def straightened_covs(self, points: FloatArray) -> FloatArray:
        """Return the (n, 2, 2) covariances of straightened points whose seen ones have 1 px².

        A barrel's corners are stretched when it is straightened, and so is an error there.
        """
        u = (self.straightened(points) - self.centre_px) / self.radius_px
        square = (u**2).sum(axis=1)[:, None, None]
        # `bent_by` in its own axes: 1 + 3 k1 r² along the radius, 1 + k1 r² across it.
        along, across = (1.0 + n * self.k1 * square for n in (3.0, 1.0))
        radial = u[:, :, None] * u[:, None, :] / np.where(square > 0, square, 1.0)
        out: FloatArray = across**-2 * (np.eye(2) - radial) + along**-2 * radial
        return out

    def grid_px(self, *, side: int = 7) -> FloatArray:
        """Return (side², 2) points over the square that just fits into the circle of the lens."""
        half = self.radius_px / np.sqrt(2.0)
        ticks = np.linspace(-half, half, side)
        out: FloatArray = np.stack(np.meshgrid(ticks, ticks), -1).reshape(-1, 2) + self.centre_px
        return out

    def seen_through(self, similarity: FloatArray) -> Lens:
        """Return the lens in the coordinates that a (3, 3) similarity maps to this lens's own."""
        back = np.linalg.inv(similarity)
        centre = back @ np.append(self.centre_px, 1.0)
        scale = float(np.sqrt(abs(np.linalg.det(back[:2, :2] / back[2, 2]))))
        return replace(self, centre_px=centre[:2] / centre[2], radius_px=self.radius_px * scale)

    def is_same(self, other: Lens) -> bool:
        """Return whether two values are one lens in the same coordinates."""
        return bool(
            self.k1 == other.k1
            and np.allclose(self.centre_px, other.centre_px)
            and np.isclose(self.radius_px, other.radius_px)
        )


def lens_of(shape: tuple[int, int], *, k1: float, k1_sigma: float = 0.0) -> Lens:
    """Return the lens of a camera of (rows, cols): centred, in units of half the diagonal."""
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    return Lens(k1, k1_sigma, middle, float(np.hypot(*middle)))


def is_similarity(matrix: FloatArray) -> bool:
    """Return whether a (3, 3) map only moves, turns, mirrors and scales evenly."""
    m = matrix / matrix[2, 2]
    square = m[:2, :2] @ m[:2, :2].T
    size = float(np.trace(square)) / 2
    return bool(
        np.allclose(square, size * np.eye(2), atol=1e-9 * size) and np.abs(m[2, :2]).max() < 1e-12
    )
