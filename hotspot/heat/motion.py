"""Did the camera or the board move? Sub-pixel shifts against the picture's own edges."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray

# Blur before gradients are taken (px): noise falls 7 times, edges of a real lens hardly.
SMOOTHING_PX = 1.0
# Noise of a gradient after that blur, per unit of pixel noise: 1 / (sqrt(8 pi) * 1 px²).
GRADIENT_NOISE = 0.2
# Strongest gradients of a zone that vote, and the fewest that make it vote at all.
VOTES, FEWEST_VOTES = 64, 12
# A gradient votes when it stands this far above its noise.
CLEAR = 4.0
# Zones that must see edges before motion is claimed at all: below this a walking hand or animal
# could be all the structure there is.
FEWEST_ZONES = 6


@dataclass(frozen=True, slots=True, eq=False)
class EdgeProbe:
    """Pixels on edges, zone by zone, and what a shift does to them.

    Attributes
    ----------
    index
        (m,) flat pixel indices, ordered by zone.
    starts
        (zones,) first entry of each zone.
    gradient
        (2, m) float32 d/dx and d/dy, mean of the zone taken off.
    normal
        (zones, 2, 2) float64 sum of gradient products.
    reference
        (zones, 2) float64 projection of the reference itself.
    """

    index: NDArray[np.intp]
    starts: NDArray[np.intp]
    gradient: NDArray[np.float32]
    normal: FloatArray
    reference: FloatArray

    @property
    def zone_count(self) -> int:
        """Zones with edges enough to vote."""
        return len(self.starts)

    def project(self, picture: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the (zones, 2) projections of a picture on the gradients."""
        if self.zone_count == 0:
            return np.zeros((0, 2), np.float32)
        v = picture.ravel().take(self.index)
        out: NDArray[np.float32] = np.add.reduceat(self.gradient * v, self.starts, axis=1).T
        return out

    def shifts(self, projections: NDArray[np.float32]) -> FloatArray:
        """Return (n, zones, 2) shifts in px, to first order, from (n, zones, 2) projections.

        For a picture reference(x − s) ≈ reference − g·s, hence s = −(Σ g gᵀ)⁻¹ Σ g (v − reference)
        (Lucas & Kanade, Proc. IJCAI 1981, 674).
        """
        change = projections.astype(np.float64) - self.reference
        out: FloatArray = -np.einsum("zij,nzj->nzi", np.linalg.inv(self.normal), change)
        return out


def fit_edge_probe(
    reference: NDArray[np.float32], *, zones: int, noise: float, bad: NDArray[np.bool_]
) -> EdgeProbe:
    """Choose the pixels that can tell a shift.

    Parameters
    ----------
    reference
        (rows, cols) picture, NaN-free.
    zones
        Zones a side.
    noise
        Standard deviation of a pixel of `reference`.
    bad
        (rows, cols) pixels with an offset of their own: their edges do not move with the scene.
    """
    # The median takes out single bad pixels that were missed; their gradients would be the
    # strongest of all, and they do not move.
    mended = cv2.medianBlur(np.where(bad, cv2.medianBlur(reference, 5), reference), 3)
    gy, gx = np.gradient(cv2.GaussianBlur(mended, (0, 0), SMOOTHING_PX))
    strength = np.where(bad, 0, np.hypot(gx, gy))
    rows, cols = reference.shape
    height, width = rows // zones, cols // zones
    floor = max(CLEAR * GRADIENT_NOISE * noise, 1e-9)
    index: list[NDArray[np.intp]] = []
    gradients: list[NDArray[np.float32]] = []
    normals: list[FloatArray] = []
    flat = np.arange(rows * cols).reshape(rows, cols)
    for r in range(zones):
        for c in range(zones):
            box = np.s_[r * height : (r + 1) * height, c * width : (c + 1) * width]
            power = strength[box].ravel()
            best = np.argsort(power)[-VOTES:]
            best = best[power[best] > floor]
            if len(best) < FEWEST_VOTES:
                continue
            g = np.stack([gx[box].ravel()[best], gy[box].ravel()[best]]).astype(np.float64)
            g -= g.mean(axis=1, keepdims=True)
            normal = g @ g.T
            # Edges in one direction only fix only one component of a shift: leave such zones out.
            small, large = np.linalg.eigvalsh(normal)
            if small < 0.02 * large:
                continue
            index.append(flat[box].ravel()[best])
            gradients.append(g.astype(np.float32))
            normals.append(normal)
    if not index:
        return EdgeProbe(
            index=np.zeros(0, np.intp),
            starts=np.zeros(0, np.intp),
            gradient=np.zeros((2, 0), np.float32),
            normal=np.zeros((0, 2, 2)),
            reference=np.zeros((0, 2)),
        )
    sizes = [len(i) for i in index]
    probe = EdgeProbe(
        index=np.concatenate(index),
        starts=np.cumsum([0, *sizes[:-1]]).astype(np.intp),
        gradient=np.concatenate(gradients, axis=1),
        normal=np.stack(normals),
        reference=np.zeros((len(index), 2)),
    )
    return EdgeProbe(
        index=probe.index,
        starts=probe.starts,
        gradient=probe.gradient,
        normal=probe.normal,
        reference=probe.project(reference).astype(np.float64),
    )


def find_bump_candidates(probe: EdgeProbe, edges: NDArray[np.float32]) -> NDArray[np.intp]:
    """Return the used frames k at which the edges seem to move between k - 1 and k.

    Parameters
    ----------
    probe
        The probe.
    edges
        (m, zones, 2) projections of the used frames.

    Notes
    -----
    Zones vote with their information, by weighted median, so that heat in some of them or a hand
    over less than half does not count. Single frames and means of four are compared; candidates
    are to be verified on mean pictures, where a first-order estimate need not be trusted.
    """
    m = len(edges)
    if probe.zone_count < FEWEST_ZONES or m < 8:
        return np.zeros(0, np.intp)
    shifts = probe.shifts(edges)
    weights = np.stack([probe.normal[:, 0, 0], probe.normal[:, 1, 1]], axis=1)
    # No zone may outvote the others: the strongest edge could be a hot part's.
    weights = np.minimum(weights, np.median(weights, axis=0))
    found: list[int] = []
    for lag in (1, 4):
        sums = np.concatenate([np.zeros((1, *shifts.shape[1:])), np.cumsum(shifts, axis=0)])
        ks = np.arange(lag, m - lag + 1)
        change = (sums[ks + lag] - 2 * sums[ks] + sums[ks - lag]) / lag
        step = _weighted_median(change, weights)
        usual = 1.4826 * np.median(np.abs(step - np.median(step, axis=0)), axis=0)
        # 7 robust sd: verification is cheap, but each candidate costs a part of a second pass.
        score = np.max(np.abs(step) / np.maximum(7 * usual, 0.02), axis=1)
        for k in np.flatnonzero(score > 1):
            near = score[max(0, k - lag) : k + lag + 1]
            if score[k] == near.max():
                found.append(int(ks[k]))
    return np.unique(np.array(found, np.intp))


def _weighted_median(values: FloatArray, weights: FloatArray) -> FloatArray:
    """Return the (n, 2) median over zones of (n, zones, 2) with weights (zones, 2)."""
    out = np.empty((len(values), 2))
    for axis in range(2):
        order = np.argsort(values[:, :, axis], axis=1)
        ordered = np.take_along_axis(values[:, :, axis], order, axis=1)
        running = np.cumsum(weights[:, axis][order], axis=1)
        place = np.argmax(running >= running[:, -1:] / 2, axis=1)
        out[:, axis] = ordered[np.arange(len(values)), place]
    return out
