"""The panels beside the picture: suspects, time course, meaning, colour bar."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.evidence import words
from hotspot.evidence.overlay import BEGIN_SIGMA, Layer, heat_colours, smooth_heat
from hotspot.evidence.paper import (
    ACCENT,
    FONT,
    INK,
    MUTED,
    RULE,
    SHADE,
    add_box,
    clear_axes,
    fold,
    points,
    write,
)
from hotspot.finding import Finding
from hotspot.heat.heatmap import HeatMap, Switching

_MOST_ROWS = 5
# Times this many usual steps apart have something left out between them; a frame or two lost now
# and then make no more than two steps of one.
GAP_STEPS = 3.5
# Share of a picture of rise over noise that its scale reaches to.
SHOWN_SHARE = 0.99


def write_title(figure: Figure, text: str, *, at: tuple[float, float]) -> None:
    """Write the title of a panel."""
    write(figure, text, at=at, size_px=15, weight="bold", color=MUTED)


def write_lines(
    figure: Figure, lines: tuple[str, ...], *, at: tuple[float, float], **style: float | str
) -> float:
    """Write paragraphs, folded to `width_px`; return the y below them."""
    width_px, size_px = float(style.pop("width_px")), float(style.pop("size_px", 15))
    y = at[1]
    for paragraph in lines:
        folded = fold(paragraph, width_px=width_px, size_px=size_px)
        write(figure, "\n".join(folded), at=(at[0], y), size_px=size_px, **style)
        y += len(folded) * size_px * 1.5 + 0.35 * size_px
    return y


def draw_suspects(
    figure: Figure, finding: Finding, *, at: tuple[float, float], width: float
) -> float:
    """Draw the suspects as bars of their probability; return the y below."""
    x, y = at
    write_title(figure, "Suspects", at=at)
    y += 32
    rows = [(s.ref, s.probability, s.why) for s in finding.suspects[:_MOST_ROWS]]
    rest = words.something_else(finding) + sum(s.probability for s in finding.suspects[_MOST_ROWS:])
    rows.append(("something else", rest, ""))
    for index, (ref, probability, why) in enumerate(rows):
        first = index == 0 and words.named_suspect(finding) is not None
        named = index < len(rows) - 1
        write(
            figure, ref, at=(x, y), size_px=17, weight="bold" if first else "normal",
            color=INK if named else MUTED,
        )  # fmt: skip
        bar = add_box(figure, x + 150, y + 3, (width - 150 - 76, 15))
        bar.set_xlim(0, 1)
        bar.set_ylim(0, 1)
        bar.axis("off")
        bar.barh(0.5, 1, height=1, color=SHADE)
        bar.barh(0.5, probability, height=1, color=ACCENT if first else "#9aa3ad")
        write(
            figure, words.percent(probability), at=(x + width, y), size_px=17, ha="right",
            weight="bold" if first else "normal",
        )  # fmt: skip
        y += 29
        if first and why:
            y = write_lines(
                figure, (why,), at=(x, y - 3), width_px=width, size_px=13.5, color=MUTED
            )
    return y


def draw_significance(
    figure: Figure, heat: HeatMap, *, at: tuple[float, float], size: tuple[float, float]
) -> None:
    """Draw the whole heat map as rise over noise, for a reader who wants to see for himself."""
    write_title(figure, "Heat map, times its noise", at=at)
    significance = smooth_heat(heat)[1]
    most = greatest_shown(significance)
    write(
        figure, f"dark {-most:.0f}, light {most:.0f}",
        at=(at[0] + size[0], at[1] + 2), size_px=11.5, ha="right", color=MUTED,
    )  # fmt: skip
    rows, cols = significance.shape
    factor = min(size[0] / cols, (size[1] - 32) / rows)
    axes = add_box(figure, at[0], at[1] + 30, (cols * factor, rows * factor))
    axes.imshow(significance, cmap="gray", vmin=-most, vmax=most)
    clear_axes(axes)


def greatest_shown(significance: FloatArray) -> float:
    """Return the end of the scale of a picture (rows, cols) of rise over noise.

    What noise spans, unless a hundredth of the picture is beyond it: where the whole board is warm
    that would be all of one colour.

    Parameters
    ----------
    significance
        NaN where a pixel is bad.
    """
    seen = np.abs(significance[np.isfinite(significance)])
    return max(BEGIN_SIGMA, float(np.quantile(seen, SHOWN_SHARE))) if seen.size else BEGIN_SIGMA


def draw_time_course(
    figure: Figure, finding: Finding, *, at: tuple[float, float], size: tuple[float, float]
) -> None:
    """Draw the rise at the strongest spot over time, the fitted response, and when it was on."""
    heat = finding.heat
    write_title(figure, "The strongest spot over time", at=at)
    axes = add_box(figure, at[0] + 56, at[1] + 36, (size[0] - 64, size[1] - 88))
    t, measured, fitted = heat.trace_t_s, heat.trace_k, heat.trace_fit_k
    in_mk = heat.unit == "K" and float(np.nanmax(np.abs(fitted), initial=0)) < 0.1
    factor = 1000.0 if in_mk else 1.0
    _shade_on(axes, finding.switching, end_s=float(t[-1]))
    axes.plot(t, factor * measured, ".", color="#9aa3ad", markersize=points(3), zorder=2)
    for part in unbroken(t):
        line = factor * fitted[part]
        axes.plot(t[part], line, color=ACCENT, linewidth=points(2.6), zorder=3)
    low, high = np.nanpercentile(factor * measured, [0.5, 99.5])
    high = max(high, float(np.nanmax(factor * fitted, initial=high)))
    low = min(low, float(np.nanmin(factor * fitted, initial=low)))
    air = 0.12 * max(high - low, 1e-9)
    axes.set_ylim(low - air, high + 2.2 * air)
    axes.set_xlim(float(t[0]), float(t[-1]))
    plain_axes(axes)
    axes.set_xlabel("time, s", family=FONT, fontsize=points(13), color=MUTED)
    unit = "mK" if in_mk else ("K" if heat.unit == "K" else "relative")
    axes.set_ylabel(unit, family=FONT, fontsize=points(13), color=MUTED)
    write(
        figure, "dots measured, line fit, shaded on", at=(at[0] + size[0], at[1] + 2),
        size_px=11.5, ha="right", color=MUTED,
    )  # fmt: skip


def unbroken(t_s: NDArray[np.floating[Any]]) -> tuple[slice, ...]:
    """Return the stretches of times (n,) between which something was left out.

    A line drawn over what was not looked at would tell of a course that nobody saw.
    """
    step = np.diff(t_s)
    ends = np.flatnonzero(step > GAP_STEPS * np.median(step)) + 1 if len(step) else np.zeros(0, int)
    edges = [0, *(int(e) for e in ends), len(t_s)]
    return tuple(slice(a, b) for a, b in pairwise(edges))


def _shade_on(axes: Axes, switching: Switching, *, end_s: float) -> None:
    edges = (*switching.edges_s, end_s) if len(switching.edges_s) % 2 else switching.edges_s
    for on_s, off_s in zip(edges[::2], edges[1::2], strict=False):
        axes.axvspan(on_s, off_s, color="#f4e6da", linewidth=0, zorder=0)


def plain_axes(axes: Axes) -> None:
    """Leave of the axes what is needed: left and bottom line, few ticks."""
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(RULE)
    axes.locator_params(nbins=5)
    axes.tick_params(colors=MUTED, labelsize=points(12.5), color=RULE, length=3)


def draw_colour_bar(
    figure: Figure, heat: HeatMap, layer: Layer, *, at: tuple[float, float], width: float
) -> None:
    """Draw the colours with their meaning in K (or relative units)."""
    bar = add_box(figure, at[0], at[1], (width, 13))
    bar.imshow(np.linspace(0, 1, 256)[None, :], aspect="auto", cmap=heat_colours())
    bar.set_yticks([])
    top_k = layer.top_k
    in_mk = heat.unit == "K" and top_k < 0.1
    factor, unit = (1000.0, "mK") if in_mk else (1.0, "K" if heat.unit == "K" else "relative")
    ticks = [v for v in MaxNLocator(5).tick_values(0, top_k * factor) if 0 <= v <= top_k * factor]
    bar.set_xticks([v / (top_k * factor) * 255 for v in ticks])
    bar.set_xticklabels([f"{v:g}" for v in ticks], family=FONT)
    bar.tick_params(colors=MUTED, labelsize=points(12.5), color=RULE, length=3)
    for spine in bar.spines.values():
        spine.set_visible(False)
    meaning = f"rise above cold, {unit}" + (", smoothed for the eye" if layer.smoothed else "")
    write(figure, meaning, at=(at[0] + width + 20, at[1] - 2), size_px=13.5, color=MUTED)
