"""Results in words, the same on the terminal and on the page."""

from __future__ import annotations

from calib.characterise import NoiseReport
from calib.radiometry import Uncertain


def with_error(value: Uncertain, *, unit: str, factor: float = 1.0) -> str:
    """Return "12.3 ± 0.4 mK", to two digits of the uncertainty."""
    v, s = value.value * factor, value.sigma * factor
    digits = 0 if s >= 10 else 1 if s >= 1 else 2 if s >= 0.1 else 3
    return f"{v:.{digits}f} ± {s:.{digits}f} {unit}"


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
    error = f" ± {spectrum.knee_sigma_hz:.2g}" if spectrum.knee_sigma_hz is not None else ""
    inside = spectrum.frequency_hz[0] <= spectrum.knee_hz <= spectrum.frequency_hz[-1]
    outside = "" if inside else " (outside what this recording shows)"
    return (
        f"Spectrum: slow noise rules below {spectrum.knee_hz:.3g}{error} Hz{outside}, growing as "
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
