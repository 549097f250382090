"""What a thermal camera makes of the board: emissivity, oblique view, blur, pixels."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.exam.physics import Network
from tests.benchmarks.exam.scene import CHIPS, Layout

FINE_PER_MM = 10  # board raster
SPLIT = 3  # samples a pixel and axis


@dataclass(frozen=True)
class View:
    """Geometry and optics: `thermal_from_board` maps board mm to pixels."""

    thermal_from_board: NDArray[np.float64]
    width: int
    height: int
    psf_sigma_px: float
    vignetting: float


@dataclass(frozen=True)
class Raster:
    """The board in fine cells, row 0 at y = 0: emissivity and what each cell shows.

    `node` is a body's node, or -1 where the board itself is seen.
    """

    emissivity: NDArray[np.float32]
    node: NDArray[np.int64]


def map_points(h: NDArray, xy: NDArray) -> NDArray[np.float64]:
    """Return points (n, 2) through a homography."""
    p = np.column_stack([np.atleast_2d(xy), np.ones(len(np.atleast_2d(xy)))]) @ h.T
    return p[:, :2] / p[:, 2:]


def draw_view(
    layout: Layout, size: tuple[int, int], *, fill: float, rng: np.random.Generator
) -> View:
    """Return an oblique view in which the board fills the given share of the picture."""
    width, height = size
    turn = np.deg2rad(rng.choice([0, 0, 0, 180]) + rng.uniform(-8, 8))
    tilt = rng.uniform(-1, 1, 2) * np.deg2rad(12)
    c, s = np.cos(turn), np.sin(turn)
    # Board y is up, picture y is down; a distant pinhole at 4 board widths gives the perspective.
    centred = np.array([[1, 0, -layout.width_mm / 2], [0, -1, layout.height_mm / 2], [0, 0, 1]])
    lean = np.sin(tilt) / (4 * layout.width_mm)
    flat = np.array(
        [[c * np.cos(tilt[0]), -s, 0], [s, c * np.cos(tilt[1]), 0], [lean[0], lean[1], 1]]
    )
    h = flat @ centred
    corners = np.array(
        [[0, 0], [layout.width_mm, 0], [layout.width_mm, layout.height_mm], [0, layout.height_mm]],
        dtype=float,
    )
    seen = map_points(h, corners)
    span = np.ptp(seen, axis=0)
    scale = fill * min(width / span[0], height / span[1])
    middle = (seen.max(0) + seen.min(0)) / 2
    shift = np.array([width - 1, height - 1]) / 2 + rng.uniform(-0.02, 0.02, 2) * [width, height]
    place = np.array(
        [
            [scale, 0, shift[0] - scale * middle[0]],
            [0, scale, shift[1] - scale * middle[1]],
            [0, 0, 1],
        ]
    )
    h = place @ h
    return View(
        h / h[2, 2], width, height, float(rng.uniform(0.5, 1.2)), float(rng.uniform(0, 0.03))
    )


def moved(view: View, *, dx_px: float, dy_px: float, turn_rad: float) -> View:
    """Return the view after a knock: a turn about the middle and a shift."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    mx, my = (view.width - 1) / 2, (view.height - 1) / 2
    knock = np.array(
        [[c, -s, mx - c * mx + s * my + dx_px], [s, c, my - s * mx - c * my + dy_px], [0, 0, 1]]
    )
    h = knock @ view.thermal_from_board
    return View(h / h[2, 2], view.width, view.height, view.psf_sigma_px, view.vignetting)


def draw_raster(layout: Layout, network: Network, *, rng: np.random.Generator) -> Raster:
    """Return what lies where: mask, bare pads, solder ends, bodies."""
    rows = round(layout.height_mm * FINE_PER_MM)
    cols = round(layout.width_mm * FINE_PER_MM)
    x = (np.arange(cols) + 0.5) / FINE_PER_MM
    y = (np.arange(rows) + 0.5) / FINE_PER_MM
    e = np.full((rows, cols), layout.mask_emissivity, dtype=np.float32)
    # Mask over copper looks a little different from mask over epoxy.
    for x0, y0, x1, y1, share in layout.patches:
        e[np.ix_((y > y0) & (y < y1), (x > x0) & (x < x1))] -= np.float32(0.02 * share)
    for _ in range(int(layout.width_mm * layout.height_mm / 60)):  # bare test pads and screw rings
        cx, cy = rng.uniform(0, layout.width_mm), rng.uniform(0, layout.height_mm)
        r = rng.choice([0.4, 0.5, 0.8, 1.5], p=[0.5, 0.3, 0.15, 0.05])
        e[(x[None] - cx) ** 2 + (y[:, None] - cy) ** 2 < r * r] = layout.pad_emissivity
    node = np.full((rows, cols), -1, dtype=np.int64)
    for body in network.bodies:
        item = body.item
        w, h = item.extent_mm
        chip = item.package in CHIPS or item.kind in ("diode", "transistor")
        pad = (0.3, 0.05) if chip else (0.15, 0.15)
        pad = pad[::-1] if item.turn_deg % 180 else pad
        if item.kind not in ("shield", "connector", "test_point"):
            e[_box(x, y, item.x_mm, item.y_mm, w + 2 * pad[0], h + 2 * pad[1])] = (
                layout.pad_emissivity
            )
        at = _box(x, y, item.x_mm, item.y_mm, w, h)
        e[at] = item.emissivity
        if item.package in CHIPS and item.kind in ("capacitor", "resistor", "bead"):
            # Metal caps at both ends of the body.
            long, wide = (w, 0.15 * w) if not item.turn_deg % 180 else (h, 0.15 * h)
            for end in (-1, 1):
                shift = end * (long - wide) / 2
                spot = (item.x_mm + shift, item.y_mm, wide, h) if not item.turn_deg % 180 else (
                    item.x_mm, item.y_mm + shift, w, wide)  # fmt: skip
                e[_box(x, y, *spot)] = layout.pad_emissivity * 1.5
        c = _tile(x[at[1].ravel()] - item.x_mm, w, body.columns)
        r = _tile(y[at[0].ravel()] - item.y_mm, h, body.rows)
        node[at] = body.first + r[:, None] * body.columns + c[None]
    return Raster(e, node)


def _box(x: NDArray, y: NDArray, cx: float, cy: float, w: float, h: float) -> tuple:
    return np.ix_(np.abs(y - cy) <= h / 2, np.abs(x - cx) <= w / 2)


def _tile(off: NDArray, size: float, count: int) -> NDArray[np.int64]:
    return np.clip(((off / size + 0.5) * count).astype(int), 0, count - 1)


def surface(raster: Raster, network: Network, field: NDArray) -> NDArray[np.float32]:
    """Return the temperature that each raster cell shows for a field over nodes."""
    rows, cols = raster.node.shape
    top = field[: network.rows * network.columns].reshape(network.rows, network.columns)
    seen = cv2.resize(top.astype(np.float32), (cols, rows), interpolation=cv2.INTER_LINEAR)
    on_body = raster.node >= 0
    seen[on_body] = field[raster.node[on_body]]
    return seen


class Lens:
    """Turns rasters into pictures; outside the board a picture shows `outside`."""

    def __init__(self, view: View) -> None:
        self.view = view
        w, h, k = view.width, view.height, SPLIT
        self.pad = int(np.ceil(4 * view.psf_sigma_px)) + 1
        ys = (np.arange((h + 2 * self.pad) * k) + 0.5) / k - 0.5 - self.pad
        xs = (np.arange((w + 2 * self.pad) * k) + 0.5) / k - 0.5 - self.pad
        gx, gy = np.meshgrid(xs, ys)
        mm = map_points(
            np.linalg.inv(view.thermal_from_board), np.column_stack([gx.ravel(), gy.ravel()])
        )
        fine = (mm * FINE_PER_MM - 0.5).astype(np.float32)
        self.map_x = fine[:, 0].reshape(gx.shape)
        self.map_y = fine[:, 1].reshape(gx.shape)
        px, py = np.meshgrid(np.linspace(-1, 1, w), np.linspace(-1, 1, h))
        self.gain = (1 - view.vignetting * (px**2 + py**2) / 2).astype(np.float32)

    def look(self, raster: NDArray, *, outside: float = 0.0) -> NDArray[np.float32]:
        """Return the picture of a raster, (rows, cols)."""
        k, pad = SPLIT, self.pad
        fine = cv2.remap(raster.astype(np.float32), self.map_x, self.map_y, cv2.INTER_LINEAR,
                         borderMode=cv2.BORDER_CONSTANT, borderValue=float(outside))  # fmt: skip
        fine = cv2.GaussianBlur(fine, (0, 0), self.view.psf_sigma_px * k)
        pixels = cv2.resize(fine, (self.view.width + 2 * pad, self.view.height + 2 * pad),
                            interpolation=cv2.INTER_AREA)  # fmt: skip
        return pixels[pad:-pad, pad:-pad] * self.gain
