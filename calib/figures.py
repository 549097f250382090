"""Pictures of what was measured."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from calib.characterise import NoiseReport
from calib.words import noise_words
from hotspot.checks import FloatArray
from hotspot.errors import InputError
from hotspot.evidence.paper import (
    ACCENT,
    DPI,
    INK,
    MUTED,
    RULE,
    add_box,
    clear_axes,
    fold,
    new_sheet,
    points,
    printable,
    write,
)

SUFFIXES = (".png", ".pdf")


def save_figure(figure: Figure, path: Path) -> None:
    """Write a figure as PNG or PDF; the same figure gives the same bytes.

    Raises
    ------
    InputError
        Another kind of file.
    """
    check_picture(path)
    suffix = path.suffix.casefold()
    # No time stamp: the same input gives the same file.
    metadata = {"CreationDate": None} if suffix == ".pdf" else {"Software": None}
    figure.savefig(path, dpi=DPI, metadata=metadata)


def check_picture(path: Path) -> None:
    """Refuse a file name that is no PNG or PDF."""
    suffix = path.suffix.casefold()
    if suffix not in SUFFIXES:
        raise InputError(
            f"'{suffix}' is no picture this program writes",
            where=str(path),
            cure="Use .png or .pdf",
        )


def draw_noise(report: NoiseReport, *, title: str) -> Figure:
    """Return the noise of a recording: map, histogram, spectrum, Allan deviation, and words."""
    figure = new_sheet(height_px=1260)
    write(figure, f"Noise: {title}", at=(60, 40), size_px=30, weight="bold")
    top = 120
    draw_noise_map(add_box(figure, 60, top, (640, 420)), report)
    draw_spectrum(add_box(figure, 150, top + 620, (560, 400)), report)
    draw_allan(add_box(figure, 880, top + 620, (640, 400)), report)
    y = top
    for text in (*noise_words(report), *(f"Note: {w}" for w in report.warnings)):
        for line in fold(text, width_px=760, size_px=17):
            if y < top + 550:
                write(figure, line, at=(790, y), size_px=17)
                y += 25
    return figure


def draw_noise_map(axes: Axes, report: NoiseReport) -> None:
    """Draw the temporal standard deviation of each pixel."""
    unit, factor = _unit(report)
    draw_map(axes, report.parts.map * factor, label=f"noise of each pixel over time, {unit}")


def draw_spectrum(axes: Axes, report: NoiseReport) -> None:
    """Draw the noise spectrum, its white level and its knee."""
    spectrum = report.spectrum
    unit, factor = _unit(report)
    if spectrum is None:
        axes.text(0.5, 0.5, "too few frames for a spectrum", ha="center", color=MUTED)
        clear_axes(axes)
        return
    axes.loglog(spectrum.frequency_hz, np.sqrt(spectrum.density) * factor, color=INK, lw=points(2))
    axes.axhline(np.sqrt(spectrum.white_density) * factor, color=MUTED, lw=points(1.5), ls="--")
    shown = spectrum.knee_hz is not None and spectrum.knee_hz >= spectrum.frequency_hz[0]
    if shown and spectrum.knee_hz is not None:
        axes.axvline(spectrum.knee_hz, color=ACCENT, lw=points(1.5))
        _label(axes, spectrum.knee_hz, "knee")
    style_axes(axes, "frequency, Hz", f"noise density, {unit}/√Hz")
    _widen(axes, np.sqrt(spectrum.density) * factor)


def draw_allan(axes: Axes, report: NoiseReport) -> None:
    """Draw what averaging N frames leaves, beside what white noise would."""
    allan = report.allan
    unit, factor = _unit(report)
    frames, deviation = allan.frames, allan.deviation * factor
    axes.loglog(frames, deviation[0] / np.sqrt(frames), color=MUTED, ls="--", lw=points(1.5))
    axes.errorbar(
        frames, deviation, yerr=allan.sigma * factor, color=INK, marker="o", ms=points(5),
        lw=points(1.5),
    )  # fmt: skip
    if allan.worth_frames is not None:
        axes.axvline(allan.worth_frames, color=ACCENT, lw=points(1.5))
        _label(axes, allan.worth_frames, f"{allan.worth_frames} frames")
    style_axes(axes, "frames averaged", f"Allan deviation, {unit} (dashed: white noise)")
    _widen(axes, deviation)


def draw_map(
    axes: Axes,
    picture: FloatArray,
    *,
    label: str,
    limits: tuple[float, float] | None = None,
) -> None:
    """Draw a map over the picture with a colour bar; extremes of 1 % are clipped in colour."""
    low, high = limits or np.percentile(picture[np.isfinite(picture)], (1, 99))
    shown = axes.imshow(
        picture, cmap="viridis", vmin=low, vmax=high if high > low else low + 1e-9,
        interpolation="nearest",
    )  # fmt: skip
    clear_axes(axes)
    bar = axes.figure.colorbar(shown, ax=axes, fraction=0.046, pad=0.03)
    bar.ax.tick_params(labelsize=points(14), colors=MUTED)
    axes.set_title(printable(label), fontsize=points(16), color=INK, loc="left")


def _unit(report: NoiseReport) -> tuple[str, float]:
    return ("mK", 1e3) if report.stack.unit == "K" else (report.stack.unit, 1.0)


def _label(axes: Axes, x: float, text: str) -> None:
    axes.annotate(
        text, (x, 0.96), xycoords=axes.get_xaxis_transform(), xytext=(4, 0),
        textcoords="offset points", color=ACCENT, fontsize=points(14), va="top",
    )  # fmt: skip


def _widen(axes: Axes, values: FloatArray) -> None:
    """Give a logarithmic axis at least a factor of ten, so that scatter looks as small as it is."""
    low, high = float(np.min(values)), float(np.max(values))
    if low > 0:
        middle, half = np.sqrt(low * high), max(np.sqrt(10.0), 1.3 * np.sqrt(high / low))
        axes.set_ylim(middle / half, middle * half)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
        axis.set_minor_formatter(NullFormatter())


def style_axes(axes: Axes, x: str, y: str) -> None:
    """Label axes and give them the page's inks."""
    axes.set_xlabel(x, fontsize=points(15), color=INK)
    axes.set_ylabel(y, fontsize=points(15), color=INK)
    axes.tick_params(which="both", labelsize=points(13), colors=MUTED)
    axes.grid(visible=True, which="major", color=RULE, lw=points(1))
    for spine in axes.spines.values():
        spine.set_color(RULE)
