"""Marks on the picture: ring, label with leader, path, ellipse, part outlines, scale bar."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Circle, Ellipse, FancyBboxPatch, Polygon
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.evidence.backdrop import Backdrop
from hotspot.evidence.paper import FONT, INK, MUTED, halo, points, printable
from hotspot.finding import Spot

# sqrt of the 95 % quantile of chi-square with two degrees of freedom: the 95 % region's radius in
# standard deviations.
_REGION_95 = 2.4477
_STEPS = (0.5, 1, 2, 5, 10, 20, 50, 100)


def draw_ground(axes: Axes, backdrop: Backdrop, rgba: NDArray[Any]) -> None:
    """Draw the backdrop and the heat over it."""
    axes.imshow(backdrop.pixels, interpolation="antialiased")
    axes.imshow(rgba, interpolation="bilinear")
    rows, cols = backdrop.pixels.shape[:2]
    axes.set_xlim(-0.5, cols - 0.5)
    axes.set_ylim(rows - 0.5, -0.5)


def draw_outline(axes: Axes, corners: FloatArray, *, strong: bool = False) -> None:
    """Draw a part's body."""
    axes.add_patch(
        Polygon(
            corners,
            closed=True,
            fill=False,
            edgecolor="white" if strong else "#f2f2f2",
            linewidth=points(2.0 if strong else 1.2),
            alpha=1.0 if strong else 0.75,
            path_effects=halo(3.6 if strong else 2.4, INK),
        )
    )


def draw_ring(
    axes: Axes, at: FloatArray, *, radius: float, dashed: bool = False, light: bool = False
) -> None:
    """Draw a ring: a dark line in a white halo, seen on any ground; `light` for lesser things."""
    widths = (3.6, 1.3) if light else (6.0, 2.4)
    style = (0, (4, 3)) if dashed else "-"
    axes.add_patch(
        Circle(tuple(at), radius, fill=False, edgecolor="white", linewidth=points(widths[0]))
    )
    axes.add_patch(
        Circle(
            tuple(at),
            radius,
            fill=False,
            edgecolor=INK,
            linewidth=points(widths[1]),
            linestyle=style,
        )
    )


def draw_region(axes: Axes, spot: Spot, backdrop: Backdrop) -> None:
    """Draw the spot's centre and the region that holds it with 95 %."""
    plane = backdrop.picture_from_thermal
    cov = plane.point_cov(spot.xy_px, cov=spot.cov_px2)
    centre = plane.map(spot.xy_px)
    values, vectors = np.linalg.eigh(cov)
    lengths = 2 * _REGION_95 * np.sqrt(np.maximum(values, 0))
    angle = np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1]))
    axes.add_patch(
        Ellipse(
            tuple(centre),
            lengths[1],
            lengths[0],
            angle=angle,
            fill=False,
            edgecolor="white",
            linewidth=points(1.6),
            path_effects=halo(3.6, INK),
        )
    )
    axes.plot(*centre, "+", color="white", markersize=points(10), path_effects=halo(3.6, INK))


def label_size(lines: list[tuple[str, float, bool]]) -> tuple[float, float]:
    """Return about how large (px) a label of (text, size_px, bold) lines is, its padding in."""
    width = max(len(text) * size * (0.70 if bold else 0.62) for text, size, bold in lines)
    height = sum(size * 1.36 for _, size, _ in lines)
    return width + 24, height + 16


def find_label_place(
    axes: Axes, at: FloatArray, *, size: tuple[float, float], avoid: FloatArray, busy: FloatArray
) -> FloatArray:
    """Return where the middle of a label goes, in data units.

    Of two rings of 24 directions around `at` the place is taken that lies inside the picture, off
    the points `avoid` (n, 3: x, y, radius) and off the heat `busy` (alpha of the layer).
    """
    half = np.array(size) / 2
    (x_low, x_high), (y_high, y_low) = axes.get_xlim(), axes.get_ylim()
    reach = float(np.hypot(*half))
    best, best_cost = np.asarray(at, dtype=np.float64), np.inf
    for distance in (reach + 0.05 * (x_high - x_low), reach + 0.12 * (x_high - x_low)):
        for angle in np.linspace(0, 2 * np.pi, 24, endpoint=False):
            middle = at + distance * np.array([np.cos(angle), np.sin(angle)])
            low, high = middle - half, middle + half
            outside = (
                max(0.0, x_low - low[0])
                + max(0.0, high[0] - x_high)
                + max(0.0, y_low - low[1])
                + max(0.0, high[1] - y_high)
            )
            nearest = np.clip(avoid[:, :2], low, high)
            gap = np.hypot(*(nearest - avoid[:, :2]).T) - avoid[:, 2]
            x0, y0 = np.maximum(low, 0).astype(int)
            x1, y1 = np.maximum(high, 0).astype(int)
            covered = busy[y0 : y1 + 1, x0 : x1 + 1]
            cost = (
                50.0 * outside
                + 50.0 * float(np.maximum(0.0, -gap).sum())
                + (200.0 * float(covered.mean()) if covered.size else 0.0)
                + 0.1 * distance
                + 4.0 * abs(np.sin(2 * angle) ** 2 - 1)  # slanted leaders read better
            )
            if cost < best_cost:
                best, best_cost = middle, cost
    return best


def draw_label(
    axes: Axes,
    lines: list[tuple[str, float, bool]],
    *,
    at: FloatArray,
    middle: FloatArray,
    radius: float,
    px: float,
) -> None:
    """Draw a label around `middle` with a leader to the ring of `radius` around `at`.

    `px` is the length of a screen pixel in data units.
    """
    width, height = (s * px for s in label_size(lines))
    half = np.array([width, height]) / 2
    low, high = middle - half, middle + half
    anchor = np.clip(at, low, high)
    direction = (anchor - at) / max(float(np.hypot(*(anchor - at))), 1e-9)
    start = at + radius * direction
    for colour, line_px in (("white", 6.0), (INK, 2.4)):
        axes.plot(
            [start[0], anchor[0]],
            [start[1], anchor[1]],
            color=colour,
            linewidth=points(line_px),
            solid_capstyle="round",
        )
    axes.add_patch(
        FancyBboxPatch(
            tuple(low),
            width,
            height,
            boxstyle=f"round,pad=0,rounding_size={6 * px}",
            facecolor="white",
            edgecolor=INK,
            linewidth=points(1.6),
            zorder=5,
            gid="label",
        )
    )
    y = low[1] + 8 * px
    for text, size, bold in lines:
        axes.text(
            low[0] + 12 * px,
            y,
            printable(text),
            family=FONT,
            fontsize=points(size),
            weight="bold" if bold else "normal",
            color=INK if bold else MUTED,
            va="top",
            ha="left",
            zorder=6,
            parse_math=False,
        )
        y += size * 1.36 * px


def draw_note(axes: Axes, text: str, *, at: FloatArray, size_px: float = 14) -> None:
    """Write a small note on the picture."""
    axes.text(
        float(at[0]),
        float(at[1]),
        text,
        family=FONT,
        fontsize=points(size_px),
        color=INK,
        ha="center",
        va="top",
        path_effects=halo(4.0),
        parse_math=False,
    )


def draw_scale_bar(axes: Axes, backdrop: Backdrop, *, px: float) -> None:
    """Draw a bar of a round length in mm (thermal px without a scale), bottom left."""
    (x_low, x_high), (y_high, _) = axes.get_xlim(), axes.get_ylim()
    span = x_high - x_low
    scale, unit = backdrop.px_per_mm, "mm"
    if scale is None:
        scale, unit = backdrop.px_per_thermal, "thermal px"
    fits = [step for step in _STEPS if step * scale <= 0.22 * span]
    step = fits[-1] if fits else _STEPS[0]
    length, text = step * scale, f"{step:g} {unit}"
    x, y = x_low + 22 * px, y_high - 20 * px
    for colour, line_px in (("white", 9.0), (INK, 4.0)):
        axes.plot(
            [x, x + length], [y, y], color=colour, linewidth=points(line_px), solid_capstyle="butt"
        )
    axes.text(
        x,
        y - 9 * px,
        text,
        family=FONT,
        fontsize=points(15),
        color=INK,
        va="bottom",
        ha="left",
        path_effects=halo(4.0),
    )
