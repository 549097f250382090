"""Heat in a board: two layers of cells with uneven copper, parts as lumps on top.

    C dT/dt + K T = b p(t)

is solved by a rational Krylov method: the field's Laplace transform is exact at a dozen rates and
at rest, and in between the Galerkin projection gives a sum of decaying exponentials (moment
matching; A. C. Antoulas, *Approximation of Large-Scale Dynamical Systems*, SIAM 2005, ch. 11). The
answer to any switching is then a closed formula, exact at every frame's own time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.linalg import eigh
from scipy.sparse.linalg import splu

from tests.benchmarks.exam.scene import Item, Layout

K_EPOXY, K_ACROSS, K_COPPER = 0.8, 0.3, 385.0  # W/(m K): glass epoxy in plane, across, copper
C_EPOXY = 1.95e6  # J/(m3 K)
RATES = np.geomspace(0.01, 40.0, 10)  # 1/s: slower and faster than anything a recording shows
BIG_MM = 2.4  # parts larger than that are several lumps


@dataclass(frozen=True)
class Body:
    """Lumps of one part: (rows, columns) of tiles, their first node, and the tile rectangle."""

    item: Item
    first: int
    rows: int
    columns: int


@dataclass(frozen=True)
class Network:
    """Heat capacities (J/K), conductances (W/K), the grid and the bodies."""

    capacity: NDArray[np.float64]
    conductance: sparse.csc_matrix
    rows: int
    columns: int
    cell_mm: tuple[float, float]
    bodies: tuple[Body, ...]

    def cell(self, x_mm: float, y_mm: float) -> int:
        """Return the top cell's index under a place."""
        c = int(np.clip(x_mm / self.cell_mm[0], 0, self.columns - 1))
        r = int(np.clip(y_mm / self.cell_mm[1], 0, self.rows - 1))
        return r * self.columns + c

    def body(self, ref: str) -> Body:
        """Return the lumps of a part."""
        return next(b for b in self.bodies if b.item.ref == ref)


@dataclass(frozen=True)
class Modes:
    """T(t) after a step of 1 W = sum of `fields[j]` (1 - exp(-rates[j] t))."""

    rates: NDArray[np.float64]
    fields: NDArray[np.float64]

    def response(self, t_s: NDArray, edges: list[tuple[float, float]]) -> NDArray[np.float64]:
        """Return (times, modes) factors for power steps (time, change of power)."""
        out = np.zeros((len(t_s), len(self.rates)))
        for at, change in edges:
            since = np.clip(np.asarray(t_s) - at, 0.0, None)
            out -= change * np.expm1(-since[:, None] * self.rates)
        return out


class _Builder:
    def __init__(self) -> None:
        self.i: list[NDArray] = []
        self.j: list[NDArray] = []
        self.g: list[NDArray] = []

    def join(self, i: NDArray, j: NDArray, g: NDArray) -> None:
        i, j, g = np.broadcast_arrays(i, j, g)
        self.i.append(i.ravel())
        self.j.append(j.ravel())
        self.g.append(g.ravel())

    def matrix(self, loss: NDArray) -> sparse.csc_matrix:
        i, j, g = (np.concatenate(v) for v in (self.i, self.j, self.g))
        n = len(loss)
        off = sparse.coo_matrix((np.r_[-g, -g], (np.r_[i, j], np.r_[j, i])), shape=(n, n))
        diagonal = loss + np.bincount(i, g, n) + np.bincount(j, g, n)
        return (off + sparse.diags(diagonal)).tocsc()


def build_network(layout: Layout, *, rng: np.random.Generator, cell_mm: float) -> Network:
    """Return the network of a board with contact times and films drawn by lot."""
    cols = max(8, round(layout.width_mm / cell_mm))
    rows = max(8, round(layout.height_mm / cell_mm))
    dx, dy = layout.width_mm / cols, layout.height_mm / rows
    x = (np.arange(cols) + 0.5) * dx
    y = (np.arange(rows) + 0.5) * dy
    cover = np.full((2, 2, rows, cols), 0.06)  # layer, direction: share of copper
    for k, (x0, y0, x1, y1, share) in enumerate(layout.patches):
        inside = ((y > y0) & (y < y1))[:, None] & ((x > x0) & (x < x1))[None]
        cross = share * rng.uniform(0.3, 1.0)
        pair = (share, cross) if k % 2 else (cross, share)
        for d in (0, 1):
            cover[k % 2, d][inside] = np.maximum(cover[k % 2, d][inside], pair[d])
    thick = np.array([0.2, layout.thickness_mm - 0.2])
    copper_mm = np.array([0.035, 0.035 * rng.uniform(0.8, 2.5)])
    n = rows * cols
    b = _Builder()
    index = np.arange(2 * n).reshape(2, rows, cols)
    for layer in (0, 1):
        sheet = 1e-3 * (K_EPOXY * thick[layer] + K_COPPER * copper_mm[layer] * cover[layer])  # W/K
        gx = _between(sheet[0][:, :-1], sheet[0][:, 1:]) * dy / dx
        gy = _between(sheet[1][:-1], sheet[1][1:]) * dx / dy
        b.join(index[layer][:, :-1], index[layer][:, 1:], gx)
        b.join(index[layer][:-1], index[layer][1:], gy)
    vias = rng.uniform(1.0, 6.0) * (cover[0].mean(0) > 0.3)
    across = (K_ACROSS + vias) * dx * dy / (layout.thickness_mm / 2) * 1e-3
    b.join(index[0], index[1], across)
    volume = (
        dx * dy * 1e-9 * (thick[:, None] + 0.8 * copper_mm[:, None] * cover.mean(1).reshape(2, n))
    )
    top, bottom = rng.uniform(7, 14), rng.uniform(4, 10)  # W/(m2 K), air and radiation together
    area = dx * dy * 1e-6
    loss = [np.full(n, top * area), np.full(n, bottom * area)]
    capacity = [(C_EPOXY * volume).ravel()]
    bodies = []
    nodes = 2 * n
    for item in layout.items:
        body, cap, film = _add_body(item, nodes, b, (x, y, dx, dy), top, rng)
        bodies.append(body)
        capacity.append(cap)
        loss.append(film)
        nodes += len(cap)
    matrix = b.matrix(np.concatenate(loss))
    return Network(np.concatenate(capacity), matrix, rows, cols, (dx, dy), tuple(bodies))


def _between(a: NDArray, b: NDArray) -> NDArray:
    return 2 * a * b / (a + b)


def _add_body(
    item: Item, first: int, b: _Builder, grid: tuple, film: float, rng: np.random.Generator
) -> tuple[Body, NDArray, NDArray]:
    x, y, dx, dy = grid
    w, h = item.extent_mm
    tc, tr = (1 if s < BIG_MM else min(4, int(np.ceil(s / 1.6))) for s in (w, h))
    tile_w, tile_h = w / tc, h / tr
    small = max(w, h) < 3.3
    contact_s = float(np.exp(rng.uniform(*np.log((0.05, 0.5) if small else (0.6, 5.0)))))
    if item.kind == "test_point":
        contact_s = 0.05
    cap = 2.4e6 * tile_w * tile_h * max(item.tall_mm, 0.1) * 1e-9
    node = first + np.arange(tc * tr).reshape(tr, tc)
    stiff = {"shield": 50.0, "inductor": 8.0, "capacitor": 4.0}.get(item.kind, 1.5) * 1e-3
    b.join(node[:, :-1], node[:, 1:], stiff * item.tall_mm * tile_h / tile_w)
    b.join(node[:-1], node[1:], stiff * item.tall_mm * tile_w / tile_h)
    for r in range(tr):
        for c in range(tc):
            x0, y0 = item.x_mm - w / 2 + c * tile_w, item.y_mm - h / 2 + r * tile_h
            share_x = np.clip(
                np.minimum(x + dx / 2, x0 + tile_w) - np.maximum(x - dx / 2, x0), 0, None
            )
            share_y = np.clip(
                np.minimum(y + dy / 2, y0 + tile_h) - np.maximum(y - dy / 2, y0), 0, None
            )
            share = share_y[:, None] * share_x[None]
            at = np.flatnonzero(share)
            weight = share.ravel()[at]
            b.join(np.full(len(at), node[r, c]), at, cap / contact_s * weight / weight.sum())
    exposed = tile_w * tile_h + item.tall_mm * (w + h) / (tc * tr)
    return (
        Body(item, first, tr, tc),
        np.full(tc * tr, cap),
        np.full(tc * tr, film * 0.9 * exposed * 1e-6),
    )


def solve_modes(network: Network, loads: NDArray) -> list[Modes]:
    """Return the modes of each load, (nodes, loads) W per W."""
    c = sparse.diags(network.capacity)
    solved = []
    for rate in (0.0, *RATES):
        lu = splu(
            (network.conductance + rate * c).tocsc(),
            permc_spec="MMD_AT_PLUS_A",
            options={"SymmetricMode": True},
        )
        solved.append(lu.solve(loads))
    stack = np.stack(solved)  # (rates, nodes, loads)
    return [_reduce(network, stack[:, :, k].T, loads[:, k]) for k in range(loads.shape[1])]


def _reduce(network: Network, basis: NDArray, load: NDArray) -> Modes:
    root = np.sqrt(network.capacity)[:, None]
    q, s, _ = np.linalg.svd(
        root * basis / np.linalg.norm(root * basis, axis=0), full_matrices=False
    )
    v = q[:, s > 1e-9 * s[0]] / root
    rates, turn = eigh(v.T @ (network.conductance @ v))
    fields = v @ turn
    return Modes(rates, (fields * (fields.T @ load / rates)).T)
