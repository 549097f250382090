"""The one value everything goes through: maps between thermal, photo and board, with error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hotspot.checks import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class PlaneMap:
    """A plane-to-plane map (homography or a simpler case of it) with its uncertainty.

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
    """

    matrix: FloatArray
    parameter_cov: FloatArray
    model: str = "homography"
    rms_px: float = 0.0
    outliers: tuple[int, ...] = ()
    leave_one_out_px: tuple[float, ...] = ()

    def map(self, points: FloatArray) -> FloatArray:
        """Map points (n, 2) or (2,)."""
        array = np.atleast_2d(np.asarray(points, dtype=np.float64))
        homogeneous = np.c_[array, np.ones(len(array))] @ self.matrix.T
        mapped = homogeneous[:, :2] / homogeneous[:, 2:3]
        out: FloatArray = mapped.reshape(np.shape(points))
        return out

    def jacobian(self, point: FloatArray) -> FloatArray:
        """Return the (2, 2) derivative of the mapped point by the point."""
        x, y = np.asarray(point, dtype=np.float64)
        u = self.matrix @ np.array([x, y, 1.0])
        mapped = u[:2] / u[2]
        out: FloatArray = (self.matrix[:2, :2] - np.outer(mapped, self.matrix[2, :2])) / u[2]
        return out

    def point_cov(self, point: FloatArray, *, cov: FloatArray | None = None) -> FloatArray:
        """Return the (2, 2) covariance of a mapped point: the map's own plus the point's `cov`.

        First-order propagation (Hartley & Zisserman, Multiple View Geometry, 2e, ch. 5).
        """
        x, y = np.asarray(point, dtype=np.float64)
        u = self.matrix @ np.array([x, y, 1.0])
        mx, my = u[:2] / u[2]
        by_parameter = (
            np.array([[x, y, 1, 0, 0, 0, -mx * x, -mx * y], [0, 0, 0, x, y, 1, -my * x, -my * y]])
            / u[2]
        )
        out: FloatArray = by_parameter @ self.parameter_cov @ by_parameter.T
        if cov is not None:
            j = self.jacobian(point)
            out = out + j @ np.asarray(cov, dtype=np.float64) @ j.T
        return out

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
        )

    def after(self, first: PlaneMap) -> PlaneMap:
        """Return the map that applies `first`, then this one; errors taken as independent.

        The residual of `first` is brought to the destination's units by this map's magnification
        where `first` puts its origin (a corner of the picture); views of a board are so near to
        straight down that the magnification hardly changes over it.
        """
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
    """

    method: str = "none"
    photo_from_thermal: PlaneMap | None = None
    board_from_thermal: PlaneMap | None = None
    rms_px: float | None = None
    warnings: tuple[str, ...] = ()
    support: str = ""
