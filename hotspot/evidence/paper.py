"""The sheet of paper: size, inks, type, and boxes measured in pixels from the top left."""

from __future__ import annotations

import textwrap
from functools import cache
from typing import Any

import matplotlib.patheffects as effects
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import findfont, get_font
from matplotlib.lines import Line2D
from numpy.typing import NDArray

INK = "#1b1f24"
MUTED = "#59626d"
RULE = "#d3d8de"
SHADE = "#eef0f3"
ACCENT = "#8a3b12"  # a burnt tone out of the heat colours; never the only carrier of a meaning
PAPER = "#ffffff"
FONT = "DejaVu Sans"  # comes with matplotlib, has Ω, Δ, ° and Cyrillic

WIDTH_PX = 1600
DPI = 100
_POINT_PX = DPI / 72


def new_sheet(*, height_px: int) -> Figure:
    """Return an empty sheet of paper, `WIDTH_PX` wide."""
    figure = Figure(figsize=(WIDTH_PX / DPI, height_px / DPI), dpi=DPI, facecolor=PAPER)
    FigureCanvasAgg(figure)
    return figure


def add_box(figure: Figure, x: float, y: float, size: tuple[float, float]) -> Axes:
    """Return axes whose top left corner lies at (x, y) px and that are `size` px large."""
    width_px, height_px = figure.get_size_inches() * DPI
    w, h = size
    return figure.add_axes((x / width_px, 1 - (y + h) / height_px, w / width_px, h / height_px))


def write(figure: Figure, text: str, *, at: tuple[float, float], **style: Any) -> None:
    """Write a line of text; its top left (or right) corner lies at `at` px. Sizes are in px."""
    width_px, height_px = figure.get_size_inches() * DPI
    size_px = style.pop("size_px", 15)
    settings: dict[str, Any] = {
        "family": FONT,
        "fontsize": size_px / _POINT_PX,
        "color": INK,
        "va": "top",
        "ha": "left",
        "linespacing": 1.35,
        "parse_math": False,  # a "$" in somebody's file name is a dollar sign
    }
    figure.text(at[0] / width_px, 1 - at[1] / height_px, printable(text), **{**settings, **style})


def printable(text: str) -> str:
    """Return `text` with an empty box for each character that the type does not have."""
    return "".join(c if c == "\n" or ord(c) in _characters() else "\u25a1" for c in text)


@cache
def _characters() -> frozenset[int]:
    return frozenset(get_font(findfont(FONT)).get_charmap())


def points(size_px: float) -> float:
    """Return a size in px as the points that matplotlib wants."""
    return size_px / _POINT_PX


def fold(text: str, *, width_px: float, size_px: float) -> list[str]:
    """Return `text` folded into lines of about `width_px` (0.53 em a character on average)."""
    return textwrap.wrap(text, max(12, int(width_px / (0.53 * size_px)))) or [""]


def halo(width_px: float = 3.0, colour: str = "white") -> list[Any]:
    """Return path effects that keep a mark readable on any ground."""
    return [effects.withStroke(linewidth=width_px / _POINT_PX, foreground=colour)]


def clear_axes(axes: Axes) -> None:
    """Take ticks off; leave a thin frame."""
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_color(RULE)
        spine.set_linewidth(points(1))


def rule(figure: Figure, *, y: float, x: tuple[float, float]) -> None:
    """Draw a thin horizontal rule at `y` px."""
    width_px, height_px = figure.get_size_inches() * DPI
    figure.add_artist(
        Line2D(
            [x[0] / width_px, x[1] / width_px],
            [1 - y / height_px] * 2,
            color=RULE,
            linewidth=points(1),
        )
    )


def to_pixels(figure: Figure) -> NDArray[np.uint8]:
    """Return the drawn sheet as (rows, cols, 3) uint8."""
    canvas = figure.canvas
    agg = canvas if isinstance(canvas, FigureCanvasAgg) else FigureCanvasAgg(figure)
    agg.draw()  # type: ignore[no-untyped-call]
    return np.asarray(agg.buffer_rgba())[..., :3].copy()  # type: ignore[no-untyped-call]
