"""A board drawn by lot: outline, rails, parts that do not overlap, copper, emissivities.

Dimensions of chip parts are the usual metric codes (IEC 60286 / EIA sizes); emissivities are round
figures of common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

RAIL_NAMES = ("5V0", "3V3", "1V8", "1V2", "0V9", "VCORE", "VIO", "VDDA", "2V5", "VSTBY")
NOMINAL_V = {"5V0": 5.0, "3V3": 3.3, "1V8": 1.8, "1V2": 1.2, "0V9": 0.9, "VCORE": 1.05,
             "VIO": 2.8, "VDDA": 3.0, "2V5": 2.5, "VSTBY": 3.3}  # fmt: skip
CHIPS = {"0402": (1.0, 0.5, 0.5), "0603": (1.6, 0.8, 0.8), "0805": (2.0, 1.25, 0.9),
         "1206": (3.2, 1.6, 1.1)}  # fmt: skip
PREFIX = {"capacitor": "C", "resistor": "R", "inductor": "L", "bead": "FB", "ic": "U",
          "connector": "J", "shield": "SH", "test_point": "TP", "diode": "D", "transistor": "Q",
          "fuse": "F", "other": "Y"}  # fmt: skip
GAP_MM = 0.4  # between bodies: tight, but parts of one size can still be soldered


@dataclass(frozen=True)
class Item:
    """One part: centre and size in board mm (size before the turn), height, emissivity, nets."""

    ref: str
    kind: str
    package: str
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    tall_mm: float
    turn_deg: int
    nets: tuple[str, ...]
    emissivity: float

    @property
    def extent_mm(self) -> tuple[float, float]:
        """(along x, along y) as it lies on the board."""
        if self.turn_deg % 180:
            return self.height_mm, self.width_mm
        return self.width_mm, self.height_mm


@dataclass(frozen=True)
class Layout:
    """The board and what lies on it; y up, origin in the lower left corner."""

    width_mm: float
    height_mm: float
    thickness_mm: float
    rails: tuple[str, ...]
    items: tuple[Item, ...]
    patches: tuple[tuple[float, float, float, float, float], ...]  # x0, y0, x1, y1, coverage
    mask_emissivity: float
    pad_emissivity: float
    inject_mm: dict[str, tuple[float, float]] = field(default_factory=dict)

    def find(self, ref: str) -> Item:
        """Return the part of that name."""
        return next(i for i in self.items if i.ref == ref)

    def on_rail(self, rail: str) -> tuple[Item, ...]:
        """Return parts that could short the rail to ground."""
        kinds = ("capacitor", "diode", "ic", "transistor")
        return tuple(
            i for i in self.items if i.kind in kinds and rail in i.nets and "GND" in i.nets
        )

    def series_on(self, rail: str) -> tuple[Item, ...]:
        """Return inductors and beads with one end on the rail."""
        return tuple(i for i in self.items if i.kind in ("inductor", "bead") and rail in i.nets)


class _Placer:
    def __init__(self, width: float, height: float, rng: np.random.Generator) -> None:
        self.width, self.height, self.rng = width, height, rng
        self.items: list[Item] = []
        self.boxes: list[tuple[float, float, float, float]] = []
        self.count: dict[str, int] = {}

    def free(self, x: float, y: float, w: float, h: float, gap: float) -> bool:
        if not (0.7 + w / 2 < x < self.width - 0.7 - w / 2):
            return False
        if not (0.7 + h / 2 < y < self.height - 0.7 - h / 2):
            return False
        return all(
            abs(x - bx) > (w + bw) / 2 + gap or abs(y - by) > (h + bh) / 2 + gap
            for bx, by, bw, bh in self.boxes
        )

    def put(
        self, kind: str, package: str, size: tuple[float, float, float], *,
        nets: tuple[str, ...], emissivity: float, near: tuple[float, float, float] | None = None,
        at: tuple[float, float] | None = None, turn: int | None = None,
    ) -> Item | None:  # fmt: skip
        rng = self.rng
        for _ in range(1 if at else 80):
            deg = int(rng.choice([0, 90, 180, 270])) if turn is None else turn
            w, h = (size[1], size[0]) if deg % 180 else (size[0], size[1])
            if at is not None:
                x, y = at
            elif near is not None:
                angle, radius = rng.uniform(0, 2 * np.pi), near[2] * np.sqrt(rng.uniform(0.1, 1))
                x, y = near[0] + radius * np.cos(angle), near[1] + radius * np.sin(angle)
            else:
                x, y = rng.uniform(0, self.width), rng.uniform(0, self.height)
            if self.free(x, y, w, h, GAP_MM):
                self.boxes.append((x, y, w, h))
                number = self.count[kind] = self.count.get(kind, 0) + 1
                item = Item(
                    f"{PREFIX[kind]}{number}", kind, package, round(float(x), 3),
                    round(float(y), 3), size[0], size[1], size[2], deg, nets, float(emissivity),
                )  # fmt: skip
                self.items.append(item)
                return item
        return None


def draw_layout(*, width_mm: float, height_mm: float, rng: np.random.Generator) -> Layout:
    """Return a board drawn by lot.

    The first rail is sure to have an inductor, a bead, an IC and six or more capacitors.
    """
    p = _Placer(width_mm, height_mm, rng)
    rails = tuple(rng.permutation(RAIL_NAMES)[: int(rng.integers(3, 5))])
    area = width_mm * height_mm
    body = lambda: rng.uniform(0.85, 0.95)  # noqa: E731
    _place_big(p, rails, rng)
    cap_size = str(rng.choice(["0402", "0603"]))
    for rail in rails:
        ics = [i for i in p.items if i.kind == "ic" and rail in i.nets]
        for ic in ics:
            reach = max(ic.width_mm, ic.height_mm) / 2 + 3.5
            for _ in range(int(rng.integers(3, 8))):
                p.put("capacitor", cap_size, CHIPS[cap_size], nets=(rail, "GND"),
                      emissivity=body(), near=(ic.x_mm, ic.y_mm, reach))  # fmt: skip
    _place_row(p, rails[0], cap_size, rng)
    for _ in range(int(area / 14)):
        rail = str(rng.choice(rails))
        lot = rng.uniform()
        size = str(rng.choice(["0402", "0603", "0805", "1206"], p=[0.45, 0.3, 0.17, 0.08]))
        if lot < 0.4:
            p.put("capacitor", size, CHIPS[size], nets=(rail, "GND"), emissivity=body())
        elif lot < 0.85:
            net = f"N{int(rng.integers(1, 90))}"
            p.put("resistor", size, CHIPS[size], emissivity=body(),
                  nets=(str(rng.choice([rail, "GND", f"S{net}"])), net))  # fmt: skip
        elif lot < 0.9:
            p.put("diode", "SOD-123", (2.7, 1.6, 1.1), nets=(rail, "GND"), emissivity=body())
        elif lot < 0.95:
            p.put("transistor", "SOT-23", (2.9, 1.3, 1.0), emissivity=body(),
                  nets=(rail, "GND", f"G{int(rng.integers(9))}"))  # fmt: skip
        else:
            p.put("test_point", "PAD-1.0", (1.0, 1.0, 0.02), nets=(rail,), emissivity=0.12)
    patches = [
        (x, y, x + rng.uniform(0.15, 0.7) * width_mm, y + rng.uniform(0.15, 0.7) * height_mm,
         rng.uniform(0.2, 0.95))
        for x, y in rng.uniform(
            [0, 0], [0.8 * width_mm, 0.8 * height_mm], (int(rng.integers(4, 9)), 2))
    ]  # fmt: skip
    inject = {r: _inject_point(p, r, rng) for r in rails}
    return Layout(
        width_mm, height_mm, float(rng.choice([0.8, 1.0, 1.6])), rails, tuple(p.items),
        tuple(tuple(float(v) for v in q) for q in patches), float(rng.uniform(0.86, 0.94)),
        float(rng.uniform(0.08, 0.15)), inject,
    )  # fmt: skip


def _place_big(p: _Placer, rails: tuple[str, ...], rng: np.random.Generator) -> None:
    """Connectors at the edges, ICs, inductors and beads, cans."""
    w, h = p.width, p.height
    for _ in range(int(rng.integers(1, 4))):
        long, deep = rng.uniform(4, min(12, w / 3)), rng.uniform(2.5, 5)
        side = int(rng.integers(4))
        at = [(rng.uniform(0, w), deep / 2 + 0.8), (rng.uniform(0, w), h - deep / 2 - 0.8),
              (deep / 2 + 0.8, rng.uniform(0, h)),
              (w - deep / 2 - 0.8, rng.uniform(0, h))][side]  # fmt: skip
        p.put("connector", "HEADER", (long, deep, 3.0), emissivity=0.92,
              nets=(str(rng.choice(rails)), "GND"), at=(float(at[0]), float(at[1])),
              turn=0 if side < 2 else 90)  # fmt: skip
    most = min(8.0, 0.28 * min(w, h))
    for k in range(int(rng.integers(2, 5)) + (w * h > 1500)):
        size = rng.uniform(2.5, most)
        mine = {rails[0]} if k == 0 else set(rng.permutation(rails)[: int(rng.integers(1, 3))])
        p.put("ic", "QFN" if size < 6 else "BGA", (size, size * rng.uniform(0.7, 1.0), 0.9),
              nets=(*sorted(mine), "GND"), emissivity=rng.uniform(0.88, 0.95))  # fmt: skip
    for rail in rails:
        size = rng.uniform(2.0, min(5.0, most))
        p.put("inductor", "IND", (size, size * rng.uniform(0.8, 1.0), size * 0.5),
              nets=(f"SW_{rail}", rail), emissivity=rng.choice([0.25, 0.9]))  # fmt: skip
        p.put("bead", "0805", CHIPS["0805"], nets=(rail, f"{rail}_F"), emissivity=0.9)
    if rng.uniform() < 0.6:
        size = rng.uniform(4, most + 1)
        p.put("shield", "CAN", (size, size * 0.8, 1.5), nets=("GND",),
              emissivity=rng.uniform(0.1, 0.3))  # fmt: skip
    for _ in range(int(rng.integers(1, 3))):
        p.put("other", "XTAL", (3.2, 2.5, 0.8), nets=("XI", "XO"),
              emissivity=rng.uniform(0.12, 0.3))  # fmt: skip


def _place_row(p: _Placer, rail: str, size: str, rng: np.random.Generator) -> None:
    """A row of like capacitors close together, as beside a load."""
    w, h, _ = CHIPS[size]
    for _ in range(60):
        x, y = rng.uniform(2, p.width - 2), rng.uniform(2, p.height - 2)
        pitch = h + GAP_MM + rng.uniform(0.01, 0.5)
        n = int(rng.integers(3, 7))
        if all(p.free(x + k * pitch, y, h, w, GAP_MM) for k in range(n)):
            for k in range(n):
                p.put("capacitor", size, CHIPS[size], nets=(rail, "GND"), emissivity=0.9,
                      at=(x + k * pitch, y), turn=90)  # fmt: skip
            return


def _inject_point(p: _Placer, rail: str, rng: np.random.Generator) -> tuple[float, float]:
    at = [
        i for i in p.items if rail in i.nets and i.kind in ("test_point", "inductor", "connector")
    ]
    if at:
        chosen = at[int(rng.integers(len(at)))]
        return chosen.x_mm, chosen.y_mm
    return p.width / 2, p.height / 2


def series_route(layout: Layout, *points: tuple[float, float]) -> NDArray[np.float64]:
    """Return points every 0.2 mm along right-angled copper through the given places, (n, 2)."""
    track = []
    for (x0, y0), (x1, y1) in pairwise(points):
        n = max(2, int(abs(x1 - x0) / 0.2))
        m = max(2, int(abs(y1 - y0) / 0.2))
        track += [np.column_stack([np.linspace(x0, x1, n), np.full(n, y0)])]
        track += [np.column_stack([np.full(m, x1), np.linspace(y0, y1, m)])]
    return np.vstack(track)
