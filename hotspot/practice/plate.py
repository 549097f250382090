"""Heat in a board plate with parts on it: finite volumes, implicit in time.

The plate is thin, so temperature varies in its plane only (the Biot number across 1.6 mm is below
0.1 for any film met in still air). Each cell stores heat, conducts to its four neighbours, and
loses heat through both faces. Parts are lumps that sit on cells through a contact conductance.
Everything is a rise above room temperature, so the network is linear and one sparse factorisation
serves every step.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import sparse
from scipy.sparse import linalg

from hotspot.checks import FloatArray, check_at_least, check_positive

STEFAN_BOLTZMANN_W_M2K4 = 5.670374419e-8  # CODATA 2018

# Second-order, L-stable, singly diagonally implicit Runge-Kutta scheme (Alexander 1977): no
# ringing after the output switches, and both stages share one factorisation.
_GAMMA = 1.0 - np.sqrt(0.5)


@dataclass(frozen=True, slots=True)
class PlateSettings:
    """The bare board as a plate, y up.

    Attributes
    ----------
    width_mm, height_mm, thickness_mm
        Outline and thickness.
    conductivity_w_mk
        In-plane conductivity of the copper and glass-epoxy stack.
    heat_capacity_j_m3k
        Density times specific heat.
    convection_top_w_m2k, convection_bottom_w_m2k
        Film coefficients of still air on the two faces.
    emissivity
        Of both faces, for the radiated part of the loss.
    cell_mm
        Wanted cell size; rounded so that whole cells fill the outline.
    origin_mm
        Lower left corner in board coordinates.
    """

    width_mm: float
    height_mm: float
    thickness_mm: float = 1.6
    conductivity_w_mk: float = 17.1
    heat_capacity_j_m3k: float = 2.0e6
    convection_top_w_m2k: float = 5.0
    convection_bottom_w_m2k: float = 4.0
    emissivity: float = 0.9
    cell_mm: float = 0.5
    origin_mm: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        for name in ("width_mm", "height_mm", "thickness_mm", "conductivity_w_mk"):
            check_positive(getattr(self, name), name=name)
        for name in ("heat_capacity_j_m3k", "cell_mm"):
            check_positive(getattr(self, name), name=name)
        for name in ("convection_top_w_m2k", "convection_bottom_w_m2k", "emissivity"):
            check_at_least(getattr(self, name), bound=0.0, name=name)

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns) of cells; row 0 lies at the bottom edge, y = 0."""
        rows = max(2, round(self.height_mm / self.cell_mm))
        columns = max(2, round(self.width_mm / self.cell_mm))
        return rows, columns

    @property
    def cell_size_mm(self) -> tuple[float, float]:
        """(width, height) of a cell in mm."""
        rows, columns = self.shape
        return self.width_mm / columns, self.height_mm / rows

    def film_w_m2k(self, ambient_c: float) -> float:
        """Return the loss of both faces together, radiation linearised about `ambient_c`.

        Radiation gives 4 ε σ T³ a face (Incropera, Heat and Mass Transfer, eq. 1.9); it is
        within 5 % of the full law for rises under 10 K.
        """
        radiated = 4.0 * self.emissivity * STEFAN_BOLTZMANN_W_M2K4 * (ambient_c + 273.15) ** 3
        return self.convection_top_w_m2k + self.convection_bottom_w_m2k + 2.0 * radiated


@dataclass(frozen=True, slots=True, eq=False)
class Lump:
    """A part as one temperature.

    Attributes
    ----------
    heat_capacity_j_k
        Heat it stores.
    contact_w_k
        (rows, columns) conductance to each plate cell, W/K.
    loss_w_k
        Conductance to the room, W/K.
    """

    heat_capacity_j_k: float
    contact_w_k: FloatArray
    loss_w_k: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class ThermalNetwork:
    """C du/dt = p - G u for plate cells (row by row) and then lumps; u is rise in K.

    Attributes
    ----------
    capacity_j_k
        (n,) heat capacities.
    conductance_w_k
        (n, n) symmetric sparse matrix, losses on the diagonal.
    loss_w_k
        (n,) conductance of each node to the room.
    shape
        (rows, columns) of the plate cells; the first rows·columns nodes.
    """

    capacity_j_k: FloatArray
    conductance_w_k: Any
    loss_w_k: FloatArray
    shape: tuple[int, int]

    @property
    def size(self) -> int:
        """Number of nodes."""
        return len(self.capacity_j_k)

    def steady_rise(self, power_w: FloatArray) -> FloatArray:
        """Return the rise in K (n,) that the node powers (n,) reach in the end."""
        out: FloatArray = linalg.spsolve(self.conductance_w_k.tocsc(), power_w)
        return out


def build_network(
    plate: PlateSettings,
    lumps: tuple[Lump, ...] = (),
    *,
    ambient_c: float = 23.0,
    copper: FloatArray | None = None,
    covered: FloatArray | None = None,
) -> ThermalNetwork:
    """Return the heat network of a plate with parts.

    Parameters
    ----------
    plate
        The bare board.
    lumps
        Parts, in the order of their nodes.
    ambient_c
        Room temperature, for the radiated loss.
    copper
        (rows, columns) factor on the plate's conductivity, all > 0; None means 1 everywhere.
        Between two cells the harmonic mean holds, as for conductors in series.
    covered
        (rows, columns) share 0..1 of each cell's top face that parts cover; that share loses
        nothing to the room directly.

    Raises
    ------
    ValueError
        If `copper` has another shape or a value not above zero.
    """
    rows, columns = plate.shape
    factor = np.ones(plate.shape) if copper is None else np.asarray(copper, dtype=np.float64)
    if factor.shape != plate.shape or not (factor > 0).all():
        raise ValueError(f"copper must be > 0 with shape {plate.shape}, got {factor.shape}")
    dx_m, dy_m = (1e-3 * size for size in plate.cell_size_mm)
    sheet_w_k = plate.conductivity_w_mk * plate.thickness_mm * 1e-3 * factor
    area_m2 = dx_m * dy_m
    node = np.arange(rows * columns).reshape(rows, columns)

    right = _series(sheet_w_k[:, :-1], sheet_w_k[:, 1:]) * dy_m / dx_m
    up = _series(sheet_w_k[:-1], sheet_w_k[1:]) * dx_m / dy_m
    first = [node[:, :-1].ravel(), node[:-1].ravel()]
    second = [node[:, 1:].ravel(), node[1:].ravel()]
    link = [right.ravel(), up.ravel()]

    face = plate.film_w_m2k(ambient_c)
    loss = np.full(rows * columns, face * area_m2)
    if covered is not None:
        loss -= 0.5 * face * area_m2 * np.clip(covered, 0.0, 1.0).ravel()
    capacity = np.full(
        rows * columns, plate.heat_capacity_j_m3k * plate.thickness_mm * 1e-3 * area_m2
    )
    for index, lump in enumerate(lumps):
        cells = np.flatnonzero(lump.contact_w_k)
        first.append(cells)
        second.append(np.full(len(cells), rows * columns + index))
        link.append(lump.contact_w_k.ravel()[cells])
    capacity = np.r_[capacity, [lump.heat_capacity_j_k for lump in lumps]]
    loss = np.r_[loss, [lump.loss_w_k for lump in lumps]]
    size = len(capacity)
    a, b, g = np.concatenate(first), np.concatenate(second), np.concatenate(link)
    off = sparse.coo_matrix((g, (a, b)), shape=(size, size))
    off = off + off.T
    diagonal = np.asarray(off.sum(axis=1)).ravel() + loss
    conductance = sparse.diags(diagonal) - off
    return ThermalNetwork(
        capacity_j_k=capacity,
        conductance_w_k=conductance.tocsr(),
        loss_w_k=loss,
        shape=plate.shape,
    )


class HeatStepper:
    """Steps a network through time with one fixed step.

    Parameters
    ----------
    network
        The heat network.
    step_s
        Length of a step.
    """

    def __init__(self, network: ThermalNetwork, *, step_s: float) -> None:
        self.network = network
        self.step_s = check_positive(step_s, name="step_s")
        matrix = sparse.diags(network.capacity_j_k) + _GAMMA * step_s * network.conductance_w_k
        self._factor = linalg.splu(
            matrix.tocsc(),
            permc_spec="MMD_AT_PLUS_A",
            diag_pivot_thresh=0.0,
            options={"SymmetricMode": True},
        )

    def step(self, rise_k: FloatArray, power_w: FloatArray) -> FloatArray:
        """Return the rise one step later.

        Parameters
        ----------
        rise_k
            (n,) rise of each node in K.
        power_w
            (n,) mean power into each node over the step, W.
        """
        conductance = self.network.conductance_w_k
        first = self._factor.solve(power_w - conductance @ rise_k)
        middle = rise_k + (1.0 - _GAMMA) * self.step_s * first
        second = self._factor.solve(power_w - conductance @ middle)
        out: FloatArray = middle + _GAMMA * self.step_s * second
        return out


def _series(a: FloatArray, b: FloatArray) -> FloatArray:
    out: FloatArray = 2.0 * a * b / (a + b)
    return out
