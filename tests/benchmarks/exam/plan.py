"""Which parts get how much of the heat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.exam.kinds import Kind, Range
from tests.benchmarks.exam.physics import Network
from tests.benchmarks.exam.scene import Item, Layout, series_route

MOST_OTHERS = 12  # the nearest parts of the rail; farther ones are never mistaken for the short


def between(rng: np.random.Generator, span: Range, *, log: bool = False) -> float:
    """Return a number drawn from a range, evenly or evenly in its logarithm."""
    if log:
        return float(np.exp(rng.uniform(*np.log(span))))
    return float(rng.uniform(*span))


@dataclass(frozen=True)
class Plan:
    """Which parts get how much of the heat."""

    faults: tuple[Item, ...]
    shares: tuple[float, ...]
    places_mm: tuple[tuple[float, float], ...]
    others: tuple[Item, ...]
    path: dict[str, float]
    loads: NDArray[np.float64]  # nodes x (faults, path, others)


def _load(network: Network, ref: str, tile: int | None = None) -> NDArray:
    body = network.body(ref)
    out = np.zeros(len(network.capacity))
    count = body.rows * body.columns
    if tile is None:
        out[body.first : body.first + count] = 1 / count
    else:
        out[body.first + tile] = 1.0
    return out


def draw_plan(layout: Layout, network: Network, kind: Kind, rng: np.random.Generator) -> Plan:
    """Return the short or shorts of the first rail and the way of the current to them."""
    rail = layout.rails[0]
    able = list(layout.on_rail(rail))
    wanted = [i for i in able if (i.kind == "ic") == (kind.fault == "ic")] or able
    count = min(len(wanted), 2 if kind.fault == "two" else 1)
    picked = rng.choice(len(wanted), size=count, replace=False)
    faults = tuple(wanted[i] for i in picked)
    split = float(rng.uniform(0.3, 0.7))
    shares = (split, 1 - split) if len(faults) == 2 else (1.0,)
    places, columns = [], []
    for item in faults:
        body = network.body(item.ref)
        w, h = item.extent_mm
        tile = int(rng.integers(body.rows * body.columns)) if item.kind == "ic" else None
        x, y = item.x_mm, item.y_mm
        if tile is not None:
            x += ((tile % body.columns + 0.5) / body.columns - 0.5) * w
            y += ((tile // body.columns + 0.5) / body.rows - 0.5) * h
        places.append((x, y))
        columns.append(_load(network, item.ref, tile))
    series = layout.series_on(rail)
    path: dict[str, float] = {"trace": between(rng, (0.05, 0.5))}
    track_load = np.zeros(len(network.capacity))
    points = [layout.inject_mm[rail]]
    if series and (kind.series or rng.uniform() < 0.4):
        through = series[int(rng.integers(len(series)))] if kind.series is None else series[0]
        path[through.ref] = between(rng, kind.series or (0.02, 0.6))
        points.append((through.x_mm, through.y_mm))
        track_load += path[through.ref] * _load(network, through.ref)
    for place in places:
        track = series_route(layout, *points, place)
        share = path["trace"] / len(track) / len(places)
        for x, y in track:
            track_load[network.cell(x, y)] += share
    left = sorted(
        (i for i in able if i not in faults),
        key=lambda i: np.hypot(i.x_mm - places[0][0], i.y_mm - places[0][1]),
    )
    others = tuple(left[:MOST_OTHERS])
    columns += [track_load, *(_load(network, i.ref) for i in others)]
    return Plan(faults, shares, tuple(places), others, path, np.stack(columns, axis=1))
