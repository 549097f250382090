"""The one value everything goes through: maps between thermal, photo and board, with error."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from hotspot.checks import FloatArray
from hotspot.register.lens import Lens, is_similarity


@dataclass(frozen=True, slots=True, eq=False)
class PlaneMap:
    """A plane-to-plane map (homography or a simpler case of it) with its uncertainty.

    Where a lens is known to bend straight lines, points are straightened before the matrix acts on
    them (`lens`), or bent after it did (`lens_after`, in maps the other way).

    Attributes
    ----------
    matrix
        (3, 3) float64, acts on homogeneous (x, y, 1); normalised to matrix[2, 2] = 1.
    parameter_cov
        (8, 8) covariance of the first eight entries, row by row; zeros where a parameter is fixed
        by the model (a similarity fixes four).
    model
        "similarity", "affine" or "homography".
    rms_px
        Root mean square of the residuals in destination units.
    outliers
        Indices of point pairs left out as wrong clicks.
    leave_one_out_px
        Distance of each click from the map of the other trusted clicks, destination units; NaN
        where too few are left; empty when not measured.
    lens, lens_after
        Radial distortion of the picture mapped from, and of the one mapped to; None for straight.
    lens_cov
        (8,) covariance of the matrix's entries with the lens's k1.
    """

    matrix: FloatArray
    parameter_cov: FloatArray
    model: str = "homography"
    rms_px: float = 0.0
    outliers: tuple[int, ...] = ()
    leave_one_out_px: tuple[float, ...] = ()
    lens: Lens | None = None
    lens_after: Lens | None = None
    lens_cov: FloatArray = field(default_factory=lambda: np.zeros(8))

    def map(self, points: FloatArray) -> FloatArray:
        """Map points (n, 2) or (2,)."""
        array: FloatArray = np.atleast_2d(np.asarray(points, dtype=np.float64))
        if self.lens is not None:
            array = self.lens.straightened(array)
        homogeneous = np.c_[array, np.ones(len(array))] @ self.matrix.T
        mapped: FloatArray = homogeneous[:, :2] / homogeneous[:, 2:3]
        if self.lens_after is not None:
            mapped = self.lens_after.bent(mapped)
        out: FloatArray = mapped.reshape(np.shape(points))
        return out

    def jacobian(self, point: FloatArray) -> FloatArray:
        """Return the (2, 2) derivative of the mapped point by the point."""
        return self._derivatives(point)[0]

    def parameter_derivative(self, points: FloatArray) -> FloatArray:
        """Return the (..., 2, 8) derivative of mapped points by the matrix's first entries."""
        return self._derivatives(points)[1]

    def lens_derivative(self, points: FloatArray) -> FloatArray:
        """Return the (..., 2) derivative of mapped points by the lens's k1; zeros without one."""
        return self._derivatives(points)[2]

    def point_cov(self, point: FloatArray, *, cov: FloatArray | None = None) -> FloatArray:
        """Return the (2, 2) covariance of a mapped point: the map's own plus the point's `cov`.

        First-order propagation (Hartley & Zisserman, Multiple View Geometry, 2e, ch. 5).
        """
        by_point, by_parameter, by_k1 = self._derivatives(point)
        out: FloatArray = by_parameter @ self.parameter_cov @ by_parameter.T
        lens = self.lens if self.lens is not None else self.lens_after
        if lens is not None:
            mixed = np.outer(by_parameter @ self.lens_cov, by_k1)
            out = out + mixed + mixed.T + lens.k1_sigma**2 * np.outer(by_k1, by_k1)
        if cov is not None:
            out = out + by_point @ np.asarray(cov, dtype=np.float64) @ by_point.T
        return out

    def _derivatives(self, points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the derivatives of mapped points (..., 2) by the point, the entries and k1."""
        at: FloatArray = np.asarray(points, dtype=np.float64)
        before: FloatArray = np.eye(2)
        by_k1: FloatArray = np.zeros(2)
        if self.lens is not None:
            before, by_k1 = self.lens.straightened_by(at)
            at = self.lens.straightened(at)
        one = np.concatenate([at, np.ones((*at.shape[:-1], 1))], axis=-1)
        u = one @ self.matrix.T
        depth = u[..., 2, None, None]
        mapped = u[..., :2] / u[..., 2:]
        by_point = (self.matrix[:2, :2] - mapped[..., :, None] * self.matrix[2, :2]) / depth
        nothing = np.zeros_like(one)
        by_rows = np.stack(
            [np.concatenate([one, nothing], -1), np.concatenate([nothing, one], -1)], axis=-2
        )
        by_last = -mapped[..., :, None] * at[..., None, :]
        by_parameter = np.concatenate([by_rows, by_last], axis=-1) / depth
        by_k1 = np.broadcast_to((by_point @ by_k1[..., None])[..., 0], at.shape)
        by_point = by_point @ before
        if self.lens_after is not None:
            after, direct = self.lens_after.bent_by(mapped)
            by_point, by_parameter = after @ by_point, after @ by_parameter
            by_k1 = (after @ by_k1[..., None])[..., 0] + direct
        return by_point, by_parameter, by_k1

    def inverse(self) -> PlaneMap:
        """Return the map the other way, its covariance carried along to first order."""
        inverse = np.linalg.inv(self.matrix)
        scale = inverse[2, 2]
        normal = inverse / scale
        columns = []
        for i in range(8):
            d = np.zeros(9)
            d[i] = 1.0
            d_inverse = -inverse @ d.reshape(3, 3) @ inverse
            d_normal = (d_inverse - normal * d_inverse[2, 2]) / scale
            columns.append(d_normal.ravel()[:8])
        j = np.array(columns).T
        return PlaneMap(
            matrix=normal,
            parameter_cov=j @ self.parameter_cov @ j.T,
            model=self.model,
            rms_px=self.rms_px / self._magnification(np.zeros(2)),
            outliers=self.outliers,
            lens=self.lens_after,
            lens_after=self.lens,
            lens_cov=j @ self.lens_cov,
        )

    def after(self, first: PlaneMap) -> PlaneMap:
        """Return the map that applies `first`, then this one; errors taken as independent.

        The residual of `first` is brought to the destination's units by this map's magnification
        where `first` puts its origin (a corner of the picture); views of a board are so near to
        straight down that the magnification hardly changes over it. A lens between the two maps
        must cancel (out of a picture and back into it), or be moved through a similarity.

        Raises
        ------
        ValueError
            When a lens lies between two maps and can do neither.
        """
        lens, lens_after = self._lenses_after(first)
        product = self.matrix @ first.matrix
        scale = product[2, 2]
        normal = product / scale

        def jacobian(left: bool) -> FloatArray:
            columns = []
            for i in range(8):
                d = np.zeros(9)
                d[i] = 1.0
                unit = d.reshape(3, 3)
                d_product = unit @ first.matrix if left else self.matrix @ unit
                columns.append(((d_product - normal * d_product[2, 2]) / scale).ravel()[:8])
            out: FloatArray = np.array(columns).T
            return out

        j_self, j_first = jacobian(True), jacobian(False)
        return PlaneMap(
            matrix=normal,
            parameter_cov=j_self @ self.parameter_cov @ j_self.T
            + j_first @ first.parameter_cov @ j_first.T,
            model=self.model if self.model == first.model else "homography",
            rms_px=float(
                np.hypot(self.rms_px, self._magnification(first.map(np.zeros(2))) * first.rms_px)
            ),
            outliers=first.outliers,
            lens=lens,
            lens_after=lens_after,
            lens_cov=(
                np.zeros(8)
                if lens is None and lens_after is None
                else j_self @ self.lens_cov + j_first @ first.lens_cov
            ),
        )

    def _lenses_after(self, first: PlaneMap) -> tuple[Lens | None, Lens | None]:
        """Return the lenses before and after the composed map."""
        out_of, into = first.lens_after, self.lens
        if out_of is None and into is None:
            return first.lens, self.lens_after
        if out_of is not None and into is not None and out_of.is_same(into):
            return first.lens, self.lens_after
        movable = out_of is None and first.lens is None and is_similarity(first.matrix)
        if into is not None and movable:
            return into.seen_through(first.matrix), self.lens_after
        movable = into is None and self.lens_after is None and is_similarity(self.matrix)
        if out_of is not None and movable:
            return first.lens, out_of.seen_through(np.linalg.inv(self.matrix))
        raise ValueError(
            "a lens between two maps cannot be moved out of a map that is no similarity"
        )

    def _magnification(self, at: FloatArray) -> float:
        return float(np.sqrt(abs(np.linalg.det(self.jacobian(at)))))


@dataclass(frozen=True, slots=True, eq=False)
class Registration:
    """How the thermal picture, the photo and the board lie on one another.

    Attributes
    ----------
    method
        "landmarks", "touch points", "automatic", "rig" or "none".
    photo_from_thermal
        Thermal px to photo px, or None.
    board_from_thermal
        Thermal px to board mm (or to photo px for a board without a scale), or None.
    rms_px
        Residual of the thermal-to-photo fit in thermal pixels; None without a registration.
    warnings
        Sentences for the technician: wrong clicks named, weak geometry.
    support
        What speaks for it, in words; empty where there is nothing to say.
    refined_by
        What of the cold picture it was then moved onto, in words; empty where nothing was.
    least_sigma_px
        What a part's place is never better known than, thermal px: boards are not flat, lenses not
        straight, clicks not independent.
    """

    method: str = "none"
    photo_from_thermal: PlaneMap | None = None
    board_from_thermal: PlaneMap | None = None
    rms_px: float | None = None
    warnings: tuple[str, ...] = ()
    support: str = ""
    refined_by: str = ""
    least_sigma_px: float = 0.3
