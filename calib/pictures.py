"""Pictures of evenness, sharpness and straightness."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calib.emissivity import EmissivityMap
from calib.figures import draw_map, style_axes
from calib.geometry import RigGeometry
from calib.radiometry import Uncertain
from calib.sharpness import EdgeSharpness
from calib.uniformity import UniformityReport
from calib.words import emissivity_words, geometry_words, sharpness_words, uniformity_words
from hotspot.checks import FloatArray
from hotspot.evidence.paper import ACCENT, INK, MUTED, add_box, fold, new_sheet, points, write


def draw_uniformity(report: UniformityReport, *, title: str) -> Figure:
    """Return a mean picture without and with the flat field, in one scale, and the bad pixels."""
    figure = new_sheet(height_px=1060)
    write(figure, f"Uniformity: {title}", at=(60, 40), size_px=30, weight="bold")
    factor, unit = (1e3, "mK") if report.unit == "K" else (1.0, report.unit)
    low, high = np.percentile(report.picture_before * factor, (1, 99))
    for x, picture, name in (
        (60, report.picture_before, "before"),
        (820, report.picture_after, "with the flat field"),
    ):
        axes = add_box(figure, x, 130, (700, 520))
        draw_map(
            axes, picture * factor, label=f"{name}, {unit} from the middle", limits=(low, high)
        )
    bad = np.array(report.defects.bad_pixels).reshape(-1, 2)
    figure.axes[0].plot(
        bad[:, 0], bad[:, 1], "o", ms=points(11), mfc="none", mec=ACCENT, mew=points(1.5)
    )
    y = 720
    for text in (*uniformity_words(report), *(f"Note: {w}" for w in report.warnings)):
        for line in fold(text, width_px=1450, size_px=18):
            write(figure, line, at=(60, y), size_px=18)
            y += 28
    write(figure, "circles: bad pixels", at=(60, 675), size_px=15)
    return figure


def draw_sharpness(
    edge: EdgeSharpness, picture: FloatArray, *, scale: Uncertain | None, title: str
) -> Figure:
    """Return the edge as seen, its spread and the contrast by spatial frequency."""
    figure = new_sheet(height_px=900)
    write(figure, f"Sharpness: {title}", at=(60, 40), size_px=30, weight="bold")
    draw_map(add_box(figure, 60, 130, (380, 420)), picture, label="the edge")
    draw_edge(add_box(figure, 580, 130, (420, 420)), edge)
    draw_mtf(add_box(figure, 1110, 130, (420, 420)), edge)
    y = 650
    for line in sharpness_words(edge, None, blur=edge.psf_sigma_px, scale=scale):
        write(figure, line, at=(60, y), size_px=19)
        y += 34
    return figure


def draw_edge(axes: Axes, edge: EdgeSharpness) -> None:
    """Draw the oversampled edge."""
    near = np.abs(edge.distance_px) <= 6
    axes.plot(edge.distance_px[near], edge.edge[near], color=INK, marker=".", lw=points(1))
    style_axes(axes, "distance from the edge, px", "value")


def draw_mtf(axes: Axes, edge: EdgeSharpness) -> None:
    """Draw contrast by spatial frequency."""
    axes.plot(edge.frequency, edge.mtf, color=INK, lw=points(2))
    axes.axhline(0.5, color=MUTED, ls="--", lw=points(1.5))
    axes.axvline(edge.mtf50.value, color=ACCENT, lw=points(1.5))
    axes.set_xlim(0, 0.75)
    axes.set_ylim(0, 1.1)
    style_axes(axes, "cycles per pixel (0.5: Nyquist)", "contrast")


def draw_geometry(
    rig: RigGeometry, picture: FloatArray, found: FloatArray, *, title: str
) -> Figure:
    """Return the grid as found, and where a straight lens would show the picture's lines."""
    figure = new_sheet(height_px=900)
    write(figure, f"Geometry: {title}", at=(60, 40), size_px=30, weight="bold")
    left = add_box(figure, 60, 130, (700, 560))
    draw_map(left, picture, label="points found")
    left.plot(found[:, 0], found[:, 1], "+", color=ACCENT, ms=points(14), mew=points(2))
    right = add_box(figure, 860, 130, (660, 560))
    rows, cols = rig.shape
    for share in np.linspace(0, 1, 9):
        line = np.linspace(0, 1, 60)
        for x, y in ((share + 0 * line, line), (line, share + 0 * line)):
            seen = np.stack([x * (cols - 1), y * (rows - 1)], axis=1)
            plain = rig.straighten(seen)
            right.plot(seen[:, 0], seen[:, 1], color=MUTED, lw=points(1))
            right.plot(plain[:, 0], plain[:, 1], color=INK, lw=points(1.5))
    right.set_aspect("equal")
    right.invert_yaxis()
    style_axes(right, "px (dark: straightened, light: as seen)", "px")
    y_px = 760
    for text in geometry_words(rig, None):
        write(figure, text, at=(60, y_px), size_px=19)
        y_px += 34
    return figure


def draw_emissivity(found: EmissivityMap, *, title: str) -> Figure:
    """Return the emissivity map."""
    figure = new_sheet(height_px=1000)
    write(figure, f"Emissivity: {title}", at=(60, 40), size_px=30, weight="bold")
    axes = add_box(figure, 60, 130, (1000, 680))
    draw_map(axes, found.emissivity, label="emissivity, 8-14 µm", limits=(0.0, 1.0))
    y = 860
    for text in (*emissivity_words(found), *(f"Note: {w}" for w in found.warnings)):
        write(figure, text, at=(60, y), size_px=18)
        y += 30
    return figure
