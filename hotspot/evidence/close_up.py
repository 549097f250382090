"""The surroundings of the spot, enlarged: part outlines, names, and the region of its centre."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from hotspot.checks import FloatArray
from hotspot.evidence import marks, words
from hotspot.evidence.backdrop import Backdrop
from hotspot.evidence.overlay import Layer
from hotspot.evidence.paper import (
    FONT,
    INK,
    MUTED,
    add_box,
    clear_axes,
    halo,
    points,
    printable,
    write,
)
from hotspot.finding import Finding, Spot


def draw_close_up(
    figure: Figure,
    finding: Finding,
    backdrop: Backdrop,
    layer: Layer,
    *,
    spot: Spot,
    at: tuple[float, float],
    width: float,
) -> float:
    """Draw the surroundings of the spot; return the y below."""
    middle = backdrop.place(spot.xy_px)
    height = 300.0
    rows, cols = backdrop.pixels.shape[:2]
    # 12 mm across shows some 0402 parts with their gaps; without a scale a sixth of the picture.
    half = 6.0 * backdrop.px_per_mm if backdrop.px_per_mm else cols / 12
    half = min(max(half, 30.0), cols / 2, rows / 2 * width / height)
    tall = half * height / width
    x = float(np.clip(middle[0], half - 0.5, cols - 0.5 - half))
    y = float(np.clip(middle[1], tall - 0.5, rows - 0.5 - tall))
    axes = add_box(figure, at[0], at[1], (width, height))
    marks.draw_ground(axes, backdrop, layer.rgba)
    axes.set_xlim(x - half, x + half)
    axes.set_ylim(y + tall, y - tall)
    axes.set_aspect("auto")
    clear_axes(axes)
    px = 2 * half / width
    _outline_neighbours(axes, finding, backdrop, centre=np.array([x, y]), half=(half, tall), px=px)
    marks.draw_region(axes, spot, backdrop)
    marks.draw_scale_bar(axes, backdrop, px=px)
    write(
        figure, "close-up; the ellipse holds the heat's centre with 95 %",
        at=(at[0], at[1] + height + 8), size_px=13, color=MUTED,
    )  # fmt: skip
    return at[1] + height + 44


def _outline_neighbours(
    axes: Axes,
    finding: Finding,
    backdrop: Backdrop,
    *,
    centre: FloatArray,
    half: tuple[float, float],
    px: float,
) -> None:
    named = words.named_suspect(finding)
    for ref, corners in backdrop.outlines.items():
        middle = corners.mean(axis=0)
        if (np.abs(middle - centre) > np.array(half) - 14 * px).any():
            continue
        strong = named is not None and ref == named.ref
        tall = float(np.ptp(corners[:, 1])) > 70 * px  # room for the name on the body
        marks.draw_outline(axes, corners, strong=strong)
        axes.text(
            float(middle[0]),
            float(middle[1] if tall else corners[:, 1].max() + 5 * px),
            printable(ref),
            family=FONT,
            fontsize=points(17 if strong else 12.5),
            weight="bold" if strong else "normal",
            color=INK,
            ha="center",
            va="center" if tall else "top",
            path_effects=halo(3.5),
            parse_math=False,
            clip_on=True,
        )
