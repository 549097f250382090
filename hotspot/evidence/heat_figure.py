"""The heat map in the thermal frame and the deblurred heat source, side by side."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from hotspot.evidence import marks, words
from hotspot.evidence.overlay import heat_colours
from hotspot.evidence.paper import MUTED, RULE, WIDTH_PX, add_box, new_sheet, points, write
from hotspot.finding import Finding
from hotspot.frame import Recording

_MARGIN = 44


def build_heat_figure(finding: Finding, recording: Recording) -> Figure:
    """Return the heat map in the thermal frame and the deblurred heat source, side by side."""
    heat = finding.heat
    rows, cols = heat.rise_k.shape
    width = (WIDTH_PX - 2 * _MARGIN - 60) / 2
    height = min(width * rows / cols, 1400.0)
    figure = new_sheet(height_px=int(height + 190))
    write(figure, words.headline(finding), at=(_MARGIN, 24), size_px=26, weight="bold")
    write(
        figure, f"recording {recording.name}", at=(WIDTH_PX - _MARGIN, 30), size_px=15, ha="right",
        color=MUTED,
    )  # fmt: skip
    strongest = float(np.nanmax(heat.rise_k[heat.valid], initial=0.0))
    in_mk = heat.unit == "K" and strongest < 0.1
    unit = ("mK" if in_mk else "K") if heat.unit == "K" else "relative units"
    rise = heat.rise_k * 1000 if in_mk else heat.rise_k
    for index, (values, title) in enumerate(
        (
            (rise, f"Rise above cold, {unit}"),
            (heat.source, "Heat source, deblurred (no unit; for looking, not for measuring)"),
        )
    ):
        x = _MARGIN + index * (width + 60)
        write(figure, title, at=(x, 78), size_px=15, weight="bold", color=MUTED)
        axes = add_box(figure, x, 108, (width, height))
        shown = np.where(heat.valid & np.isfinite(values), values, np.nan)
        finite = shown[np.isfinite(shown)]
        low, high = np.percentile(finite, [1, 100]) if finite.size else (0.0, 1.0)
        axes.set_facecolor("#c9ced4")  # bad pixels let the ground through
        image = axes.imshow(
            shown,
            cmap=heat_colours(),
            vmin=low,
            vmax=max(high, low + 1e-9),
            interpolation="nearest",
        )
        for spot in finding.spots:
            marks.draw_ring(axes, spot.xy_px, radius=0.022 * cols, dashed=spot.role == "path")
        axes.tick_params(colors=MUTED, color=RULE, labelsize=points(12), length=3)
        for spine in axes.spines.values():
            spine.set_color(RULE)
        bar_axes = add_box(figure, x, 108 + height + 34, (width, 12))
        bar = figure.colorbar(image, cax=bar_axes, orientation="horizontal")
        bar.ax.tick_params(colors=MUTED, color=RULE, labelsize=points(12), length=3)
        bar.outline.set_visible(False)
    return figure
