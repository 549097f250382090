"""Results in words, the same on the terminal and on the page."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from calib.characterise import NoiseReport
from calib.defects import FALSE_ALARM
from calib.emissivity import EmissivityMap
from calib.geometry import PinholeLens, RigGeometry
from calib.pinhole import SpotSharpness
from calib.radiometry import Uncertain
from calib.sharpness import EdgeSharpness, resolved_distance_px
from calib.uniformity import UniformityReport


def with_error(value: Uncertain, *, unit: str, factor: float = 1.0) -> str:
    """Return "12.3 ± 0.4 mK", to two digits of the uncertainty."""
    v, s = value.value * factor, value.sigma * factor
    if not s > 0:
        return f"{v:.4g} {unit}".rstrip()
    digits = min(max(0, 1 - math.floor(math.log10(s))), 9)
    return f"{v:.{digits}f} ± {s:.{digits}f} {unit}".rstrip()


def uniformity_words(report: UniformityReport) -> list[str]:
    """Return a flat field and what it brings as lines."""
    unit, factor = ("mK", 1e3) if report.unit == "K" else (report.unit, 1.0)
    lines = [
        f"Temporal noise of a pixel: {with_error(report.before.pixel, unit=unit, factor=factor)}"
    ]
    for name, key in (
        ("pixels", "fixed_pixel"),
        ("rows", "fixed_row"),
        ("columns", "fixed_column"),
    ):
        before, after = getattr(report.before, key), getattr(report.after, key)
        shown = [
            with_error(part, unit=unit, factor=factor)
            if part.value > 0
            else f"below {2 * part.sigma * factor:.2g} {unit}"
            for part in (before, after)
        ]
        lines.append(f"Fixed pattern of {name}: {shown[0]}; with the flat field {shown[1]}")
    flat = report.flat
    if flat.gain_sigma > 0:
        lines.append(
            f"Gains differ by {flat.gain.std():.2%} (sd), each good to {flat.gain_sigma:.2%}; "
            f"scenes {abs(flat.levels[1] - flat.levels[0]):.4g} {report.unit} apart"
        )
    bad = len(report.defects.bad_pixels)
    kinds = ", ".join(f"{n} {name}" for name, n in report.defects.counts.items() if n)
    lines.append(
        f"Bad pixels: {bad}{f' ({kinds})' if kinds else ''}; a perfect camera would have one "
        f"listed in {FALSE_ALARM:.0%} of such measurements"
    )
    return lines


def noise_words(report: NoiseReport) -> list[str]:
    """Return a noise report as lines."""
    parts, rate, allan, spectrum = report.parts, report.stack.rate, report.allan, report.spectrum
    unit, factor = ("mK", 1e3) if report.stack.unit == "K" else (report.stack.unit, 1.0)

    def line(name: str, value: Uncertain) -> str:
        if value.value == 0:
            return f"  {name}: none seen (below {2 * value.sigma * factor:.2g} {unit})"
        return f"  {name}: {with_error(value, unit=unit, factor=factor)}"

    name = "NETD" if unit == "mK" else "Noise"
    lines = [
        f"{name} of one frame: {with_error(parts.one_frame, unit=unit, factor=factor)}",
        "New in every frame",
        line("pixel (slow wandering included)", parts.pixel),
        line("row", parts.row),
        line("column", parts.column),
        line("whole frame (drift included)", parts.frame),
        "Fixed",
        line("pixel", parts.fixed_pixel),
        line("row", parts.fixed_row),
        line("column", parts.fixed_column),
        f"Correlation of neighbours: {parts.correlation[1]:+.2f} across, "
        f"{parts.correlation[0]:+.2f} down",
        f"Frames: {rate.delivered} delivered, {rate.repeated} repeated, {rate.shutter} at the "
        f"shutter, {parts.frames} used; {int((~report.stack.good).sum())} bad pixels",
        f"Frame rate: {rate.delivered_hz:.2f} Hz delivered, {rate.effective_hz:.2f} ± "
        f"{rate.effective_sigma_hz:.2f} Hz with something new",
    ]
    if spectrum is not None:
        lines.append(knee_words(report))
    lines.append(averaging_words(report, unit=unit, factor=factor))
    if allan.best_frames > 1:
        lines.append(
            f"Least seen: {allan.best_deviation * factor:.2g} {unit} with {allan.best_frames}"
            " frames"
        )
    return lines


def knee_words(report: NoiseReport) -> str:
    """Return where slow noise begins to rule."""
    spectrum = report.spectrum
    if spectrum is None:
        return "Spectrum: too few frames"
    if spectrum.knee_hz is None:
        lowest = float(spectrum.frequency_hz[0])
        return f"Spectrum: white down to {lowest:.3g} Hz"
    if spectrum.knee_hz < spectrum.frequency_hz[0]:
        return (
            f"Spectrum: slow noise begins to show; a longer recording would tell where below "
            f"{spectrum.frequency_hz[0]:.2g} Hz it rules"
        )
    if spectrum.knee_hz > spectrum.frequency_hz[-1]:
        return "Spectrum: slow noise rules at every frequency shown"
    error = f" ± {spectrum.knee_sigma_hz:.2g}" if spectrum.knee_sigma_hz is not None else ""
    return (
        f"Spectrum: slow noise rules below {spectrum.knee_hz:.3g}{error} Hz, growing as "
        f"1/f^{spectrum.exponent:.1f}"
    )


def averaging_words(report: NoiseReport, *, unit: str, factor: float) -> str:
    """Return what averaging frames is worth."""
    allan = report.allan
    if allan.worth_frames is None:
        last = int(allan.frames[-1])
        return f"Averaging helps up to {last} frames at least, all that this recording can show"
    if allan.worth_frames == 1:
        return "Averaging brings little: from one frame to the next the noise already wanders"
    k = int((allan.frames == allan.worth_frames).argmax())
    return (
        f"Averaging is worth while up to {allan.worth_frames} frames ({allan.tau_s[k]:.3g} s, "
        f"{allan.deviation[k] * factor:.2g} {unit})"
    )


def sharpness_words(
    edge: EdgeSharpness | None,
    spot: SpotSharpness | None,
    *,
    blur: Uncertain,
    scale: Uncertain | None,
) -> list[str]:
    """Return blur, and the smallest part that can be told from its neighbour, as lines."""
    lines = []
    if edge is not None:
        way = "across" if edge.is_upright else "down"
        lines.append(
            f"Blur {way} (lens and pixel, standard deviation): {with_error(blur, unit='px')}"
        )
        lines.append(
            f"Contrast falls to a half at {with_error(edge.mtf50, unit='cycles per pixel')}"
        )
        lines.append(f"Edge: {edge.step:+.3g} high, turned by {edge.angle_deg:.1f} degrees")
    if spot is not None:
        lines.append(f"Blur across: {with_error(spot.sigma_x_px, unit='px')}")
        lines.append(f"Blur down: {with_error(spot.sigma_y_px, unit='px')}")
    apart = resolved_distance_px(blur.value)
    if scale is None:
        lines.append(f"Equal small sources are told apart from {apart:.1f} px on")
    else:
        lines.append(f"Scale: {with_error(scale, unit='mm per pixel')}")
        lines.append(
            f"Equal small sources are told apart from {apart * scale.value:.2f} mm on "
            f"({apart:.1f} px); their heat must not have run together"
        )
    return lines


def to_sharpness_dict(
    edge: EdgeSharpness | None,
    spot: SpotSharpness | None,
    *,
    blur: Uncertain,
    scale: Uncertain | None,
) -> dict[str, Any]:
    """Return blur and scale for JSON."""
    apart = resolved_distance_px(blur.value)
    return {
        "format": 1,
        "psf_sigma_px": {"value": blur.value, "sigma": blur.sigma},
        "mtf50_cycles_per_px": None
        if edge is None
        else {"value": edge.mtf50.value, "sigma": edge.mtf50.sigma},
        "angle_deg": None if edge is None else edge.angle_deg,
        "down_px": None if spot is None else spot.sigma_y_px.value,
        "mm_per_px": None if scale is None else {"value": scale.value, "sigma": scale.sigma},
        "resolved_px": apart,
        "resolved_mm": None if scale is None else apart * scale.value,
    }


def geometry_words(rig: RigGeometry, lens: PinholeLens | None) -> list[str]:
    """Return distortion and scale as lines."""
    way = "in" if rig.distortion.value < 0 else "out"
    lines = [
        f"Scale in the middle: {with_error(rig.mm_per_px, unit='mm per pixel')}",
        f"Distortion at half the diagonal: {with_error(rig.distortion, unit='%', factor=100)}"
        f" (corners drawn {way} by {rig.corner_shift_px:.1f} px)",
        f"Points lie within {rig.rms_px:.2f} px (rms) of the fit, {rig.views} views",
    ]
    if lens is not None:
        lines.append(
            f"Focal length {with_error(lens.focal_px, unit='px')}, k1 "
            f"{with_error(lens.k1, unit='')}, k2 {with_error(lens.k2, unit='')}"
        )
    return lines


def to_geometry_dict(rig: RigGeometry, lens: PinholeLens | None) -> dict[str, Any]:
    """Return distortion and scale for JSON and TOML."""
    return {
        "format": 1,
        "width": rig.shape[1],
        "height": rig.shape[0],
        "distortion": rig.distortion.value,
        "distortion_sigma": rig.distortion.sigma,
        "mm_per_px": rig.mm_per_px.value,
        "mm_per_px_sigma": rig.mm_per_px.sigma,
        "rms_px": rig.rms_px,
        "views": rig.views,
        "mm_from_px": [[float(v) for v in row] for row in rig.mm_from_px],
        "focal_px": None if lens is None else lens.focal_px.value,
        "focal_sigma_px": None if lens is None else lens.focal_px.sigma,
        "k1": None if lens is None else lens.k1.value,
        "k2": None if lens is None else lens.k2.value,
    }


def emissivity_words(
    found: EmissivityMap, box: tuple[int, int, int, int] | None = None
) -> list[str]:
    """Return an emissivity map as lines."""
    low, middle, high = np.nanpercentile(found.emissivity, (5, 50, 95))
    lines = [
        f"Emissivity: median {middle:.3f}, nine tenths of the pixels {low:.2f} to {high:.2f}",
        f"Of one pixel ± {float(np.nanmedian(found.sigma)):.3f}, common to all ± {found.scale:.1%}",
    ]
    if found.reflected_c == found.reflected_c:
        lines.append(f"The board mirrors surroundings of {found.reflected_c:.1f} °C")
    if box is not None:
        lines.append(f"Region {box}: {with_error(found.describe(box), unit='')}".rstrip())
    return lines
