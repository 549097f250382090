"""What light reaches each pixel: emission, reflection, lens blur, pixel area.

All of it is linear in radiance, so the way from surface nodes to pixels is one sparse matrix.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import sparse
from scipy.special import erf

from hotspot.checks import FloatArray
from hotspot.practice.bodies import PartBody
from hotspot.practice.plate import PlateSettings

SECOND_RADIATION_CONSTANT_UM_K = 14387.76877  # CODATA 2018
# Effective wavelength of an uncooled 8-14 µm camera near room temperature: where the band radiance
# grows as the single-wavelength Planck law does (d ln L/d ln T = 4.8 at 300 K, close to c2/λT).
WAVELENGTH_UM = 10.0
PLANCK_B_K = SECOND_RADIATION_CONSTANT_UM_K / WAVELENGTH_UM

# Sample points lie at most this far apart on the board: a quarter of the smallest common chip's
# width, so that its area comes out within some 10 %.
_SAMPLE_MM = 0.125
_MOST_FINE = 8  # but never more than this per pixel side, to bound the work
_ROWS_AT_ONCE = 8


def to_radiance(temperature_c: FloatArray | float) -> FloatArray:
    """Return relative radiance 1/(exp(b/T) - 1) of a black surface (Planck 1901)."""
    out: FloatArray = 1.0 / np.expm1(PLANCK_B_K / (np.asarray(temperature_c) + 273.15))
    return out


def to_apparent_c(radiance: FloatArray) -> FloatArray:
    """Return the temperature in °C at which a black surface shines as much."""
    out: FloatArray = PLANCK_B_K / np.log1p(1.0 / np.asarray(radiance)) - 273.15
    return out


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """From surface nodes to pixels, in radiance.

    Attributes
    ----------
    emitted
        (pixels, nodes) sparse: radiance of each node to what the pixel gets of it.
    background
        (rows, cols) share of the pixel that sees the bench beyond the board, times its emissivity.
    reflected
        (rows, cols) share of the surroundings that the pixel sees mirrored.
    """

    emitted: Any
    background: FloatArray
    reflected: FloatArray

    def to_image(
        self, rise_k: FloatArray, *, ambient_c: float, surroundings: FloatArray
    ) -> FloatArray:
        """Return apparent temperature (rows, cols) in °C.

        Parameters
        ----------
        rise_k
            (nodes,) rise of the surface nodes above room temperature.
        ambient_c
            Room temperature.
        surroundings
            Radiance of what the board mirrors: scalar or (rows, cols).
        """
        shape = self.background.shape
        own = (self.emitted @ to_radiance(ambient_c + rise_k)).reshape(shape)
        radiance: FloatArray = np.add(own, self.background * to_radiance(ambient_c))
        return to_apparent_c(radiance + self.reflected * surroundings)


def build_view(
    plate: PlateSettings,
    bodies: tuple[PartBody, ...],
    *,
    thermal_from_board: FloatArray,
    shape: tuple[int, int],
    blur_px: float,
    bench_emissivity: float = 0.94,
) -> View:
    """Return the optical way from plate cells and parts to the pixels of a camera.

    Parameters
    ----------
    plate
        The bare board; its emissivity is that of the solder mask.
    bodies
        Parts, in the order of their heat nodes; the taller hides the lower.
    thermal_from_board
        (3, 3) homography from board mm to thermal px.
    shape
        (rows, cols) of the camera.
    blur_px
        Standard deviation of the lens's Gaussian spread, px. Pixel area comes on top.
    bench_emissivity
        Of the surface beyond the board, at room temperature.
    """
    rows, cols = shape
    pad = int(np.ceil(4.0 * blur_px)) + 1
    fine = _samples_a_side(thermal_from_board, plate)
    x = _fine_positions(cols, pad, fine=fine)
    y = _fine_positions(rows, pad, fine=fine)
    spread_x, spread_y = _spread(cols, x, blur_px), _spread(rows, y, blur_px)
    surface, emissivity, on_board = _look(plate, bodies, thermal_from_board, x=x, y=y)

    bands = []
    for first in range(0, rows, _ROWS_AT_ONCE):
        band = spread_y[first : first + _ROWS_AT_ONCE]
        used = np.flatnonzero(band.getnnz(axis=0))
        low, high = used[0], used[-1] + 1
        part = surface[low * len(x) : high * len(x)]
        bands.append(sparse.kron(band[:, low:high], spread_x, format="csr") @ part)

    def gather(field: FloatArray) -> FloatArray:
        out: FloatArray = spread_y @ (spread_x @ field.T).T
        return out

    return View(
        emitted=sparse.vstack(bands, format="csr"),
        background=gather(np.where(on_board, 0.0, bench_emissivity)),
        reflected=gather(1.0 - np.where(on_board, emissivity, bench_emissivity)),
    )


def _window(
    body: PartBody, thermal_from_board: FloatArray, *, x: FloatArray, y: FloatArray
) -> tuple[slice, slice]:
    """Rows and columns of the samples that can see a body."""
    corners = body.corners_mm()
    mapped = np.c_[corners, np.ones(4)] @ thermal_from_board.T
    px = mapped[:, :2] / mapped[:, 2:]
    columns = np.searchsorted(x, [px[:, 0].min(), px[:, 0].max()])
    rows = np.searchsorted(y, [px[:, 1].min(), px[:, 1].max()])
    return slice(rows[0], rows[1] + 1), slice(columns[0], columns[1] + 1)


def _samples_a_side(thermal_from_board: FloatArray, plate: PlateSettings) -> int:
    """Sample points per pixel side, from the size of a pixel in the middle of the board."""
    left, bottom = plate.origin_mm
    middle = np.array([left + 0.5 * plate.width_mm, bottom + 0.5 * plate.height_mm, 1.0])
    u = thermal_from_board @ middle
    slope = (thermal_from_board[:2, :2] - np.outer(u[:2] / u[2], thermal_from_board[2, :2])) / u[2]
    mm_per_px = 1.0 / np.sqrt(abs(np.linalg.det(slope)))
    return int(np.clip(np.ceil(mm_per_px / _SAMPLE_MM), 3, _MOST_FINE))


def _fine_positions(count: int, pad: int, *, fine: int) -> FloatArray:
    """Sample points along one axis in px; pixel 0 spans -0.5..0.5."""
    n = (count + 2 * pad) * fine
    return (np.arange(n) + 0.5) / fine - 0.5 - pad


def _spread(count: int, fine: FloatArray, blur_px: float) -> Any:
    """(pixels, samples) shares: Gaussian blur integrated over the pixel's width."""
    offset = fine[None, :] - np.arange(count)[:, None]
    if blur_px > 0:
        scale = np.sqrt(2.0) * blur_px
        weight = 0.5 * (erf((offset + 0.5) / scale) - erf((offset - 0.5) / scale))
        weight[np.abs(offset) > 0.5 + 4.0 * blur_px] = 0.0
    else:
        weight = (np.abs(offset) < 0.5).astype(np.float64)
    return sparse.csr_matrix(weight / weight.sum(axis=1, keepdims=True))


def _look(
    plate: PlateSettings,
    bodies: tuple[PartBody, ...],
    thermal_from_board: FloatArray,
    *,
    x: FloatArray,
    y: FloatArray,
) -> tuple[Any, FloatArray, FloatArray]:
    """Return what the samples see: (samples, nodes) emissive weights, emissivity, on board."""
    rows, columns = plate.shape
    cells = rows * columns
    board_from_thermal = np.linalg.inv(thermal_from_board)
    grid = np.stack([*np.meshgrid(x, y), np.ones((len(y), len(x)))], axis=-1)
    mapped = grid @ board_from_thermal.T
    points = mapped[..., :2] / mapped[..., 2:]
    inner = points - np.array(plate.origin_mm)  # from the plate's lower left corner
    on_board = (inner >= 0).all(axis=-1) & (inner <= [plate.width_mm, plate.height_mm]).all(axis=-1)
    emissivity = np.full(on_board.shape, plate.emissivity)
    owner = np.full(on_board.shape, -1)
    for index in np.argsort([body.tall_mm for body in bodies], kind="stable"):
        body = bodies[index]
        if not body.seen:
            continue
        near = _window(body, thermal_from_board, x=x, y=y)
        local = np.abs(body.to_local(points[near]))
        inside = (local <= 1.0).all(axis=-1)
        owner[near][inside] = index
        on_board[near] |= inside  # a connector may hang over the edge
        emissivity[near][inside] = body.emissivity
        if body.end_share > 0:
            cap = 2.0 * body.end_share * body.height_mm / body.width_mm  # of half the length
            ends = inside & (local[..., 0] > 1.0 - cap)
            emissivity[near][ends] = body.end_emissivity

    index_of = np.arange(on_board.size).reshape(on_board.shape)
    bare = on_board & (owner < 0)
    dx, dy = plate.cell_size_mm
    u = np.clip(inner[bare][:, 0] / dx - 0.5, 0, columns - 1)
    v = np.clip(inner[bare][:, 1] / dy - 0.5, 0, rows - 1)
    i = np.minimum(u.astype(int), columns - 2)
    j = np.minimum(v.astype(int), rows - 2)
    fu, fv = u - i, v - j
    corner = j * columns + i
    node = np.stack([corner, corner + 1, corner + columns, corner + columns + 1])
    weight = np.stack([(1 - fu) * (1 - fv), fu * (1 - fv), (1 - fu) * fv, fu * fv])
    weight *= emissivity[bare]
    seen = owner >= 0
    line = np.r_[np.tile(index_of[bare], 4), index_of[seen]]
    column = np.r_[node.ravel(), cells + owner[seen]]
    value = np.r_[weight.ravel(), emissivity[seen]]
    matrix = sparse.csr_matrix((value, (line, column)), shape=(on_board.size, cells + len(bodies)))
    return matrix, emissivity, on_board
