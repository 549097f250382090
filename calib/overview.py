"""What this camera can see: the few numbers that decide at the bench, from all measurements."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.characterise import NoiseReport
from calib.generic import describe_values
from calib.radiometry import Uncertain
from calib.sharpness import PIXEL_VARIANCE, EdgeSharpness, resolved_distance_px
from hotspot.profile import CameraProfile

# A rise counts as seen at five standard deviations of the difference of warm and cold: over the
# whole of a 256 x 192 picture noise alone reaches that in 1.4 % of recordings (49152 pixels times
# the one-sided tail 2.9e-7).
SEEN_SIGMAS = 5.0
WATCH_S = (1.0, 5.0, 20.0)


@dataclass(frozen=True, slots=True)
class Visible:
    """A rise that is just seen after watching for a time before and after the current comes on.

    Attributes
    ----------
    watch_s
        Seconds cold, and as long warm.
    frames
        New frames in that time.
    pixel_k
        Rise of a single pixel.
    part_k
        Rise of a part as small as the blur, all its pixels used; None without a known blur.
    """

    watch_s: float
    frames: int
    pixel_k: float
    part_k: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Overview:
    """All that goes on the page.

    Attributes
    ----------
    profile
        The camera.
    noise
        From a scene at rest.
    edge
        Sharpness, if measured.
    blur
        Lens and pixel, px, if measured or in the profile.
    mm_per_px
        Scale at the bench, if known.
    visible
        What is seen after a second and later; empty where values are not kelvin.
    """

    profile: CameraProfile
    noise: NoiseReport
    edge: EdgeSharpness | None
    blur: Uncertain | None
    mm_per_px: float | None
    visible: tuple[Visible, ...]

    @property
    def smallest_mm(self) -> float | None:
        """Distance at which two small sources are told apart, if blur and scale are known."""
        if self.blur is None or self.mm_per_px is None:
            return None
        return resolved_distance_px(self.blur.value) * self.mm_per_px

    @property
    def facts(self) -> tuple[tuple[str, str], ...]:
        """(name, value) lines of the page."""
        return _facts(self)

    def to_dict(self) -> dict[str, Any]:
        """Return the numbers for JSON."""
        return {
            "format": 1,
            "name": self.profile.name,
            "noise": self.noise.to_dict(),
            "psf_sigma_px": None if self.blur is None else self.blur.value,
            "mm_per_px": self.mm_per_px,
            "resolved_mm": self.smallest_mm,
            "visible": [
                {"watch_s": v.watch_s, "frames": v.frames, "pixel_k": v.pixel_k,
                 "part_k": v.part_k}
                for v in self.visible
            ],
        }  # fmt: skip


def build_overview(
    noise: NoiseReport,
    *,
    profile: CameraProfile,
    edge: EdgeSharpness | None = None,
    mm_per_px: float | None = None,
) -> Overview:
    """Put the measurements of one camera together."""
    blur = edge.psf_sigma_px if edge is not None else None
    if blur is None and profile.psf_sigma_px is not None:
        blur = Uncertain(profile.psf_sigma_px, 0.0)
    return Overview(
        profile=profile,
        noise=noise,
        edge=edge,
        blur=blur,
        mm_per_px=mm_per_px,
        visible=_visible(noise, blur) if noise.stack.unit == "K" else (),
    )


def _visible(noise: NoiseReport, blur: Uncertain | None) -> tuple[Visible, ...]:
    """Return what is seen, from the Allan deviation as measured.

    The difference of two means of N frames that follow each other has the standard deviation
    √2 · σ_Allan(N). A Gaussian spot of sd w px gains √π w by its matched filter (North 1943; Kay,
    vol. 2, ch. 4), less what noise shared by neighbours takes away.
    """
    allan, rate = noise.allan, noise.stack.rate.effective_hz
    out = []
    for watch_s in WATCH_S:
        frames = max(1, math.floor(watch_s * rate))
        if frames > int(allan.frames[-1]):
            break
        deviation = float(np.exp(np.interp(
            math.log(frames), np.log(allan.frames), np.log(np.maximum(allan.deviation, 1e-12))
        )))  # fmt: skip
        pixel_k = SEEN_SIGMAS * math.sqrt(2) * deviation
        part_k = None
        if blur is not None:
            optics = math.sqrt(max(blur.value**2, PIXEL_VARIANCE))
            alike = math.sqrt(noise.parts.spread[0] * noise.parts.spread[1])
            part_k = pixel_k / max(1.0, math.sqrt(math.pi) * optics / alike)
        out.append(Visible(watch_s, frames, pixel_k, part_k))
    return tuple(out)


def _mk(kelvin: float) -> str:
    return f"{1e3 * kelvin:.0f} mK" if kelvin >= 0.01 else f"{1e3 * kelvin:.2g} mK"


def _facts(view: Overview) -> tuple[tuple[str, str], ...]:
    profile, noise = view.profile, view.noise
    parts, rate, unit = noise.parts, noise.stack.rate, noise.stack.unit
    shown, factor = ("mK", 1e3) if unit == "K" else (unit, 1.0)
    bad = int((~noise.stack.good).sum())
    facts = [
        ("Picture", f"{profile.width} x {profile.height} px, {bad} bad"),
        ("Values", describe_values(profile)),
        ("New frames", f"{rate.effective_hz:.1f} a second ({rate.delivered_hz:.1f} delivered)"),
        (
            "NETD" if unit == "K" else "Noise",
            f"{parts.one_frame.value * factor:.3g} {shown} a pixel and frame",
        ),
        (
            "Stripes",
            f"rows {parts.row.value * factor:.2g}, columns {parts.column.value * factor:.2g}"
            f" {shown} new in every frame",
        ),
    ]
    worth = noise.allan.worth_frames
    last = int(noise.allan.frames[-1])
    facts.append(
        (
            "Averaging",
            f"worth while up to {worth} frames" if worth else f"worth while to {last} or more",
        )
    )
    if view.blur is not None:
        facts.append(("Blur", f"{view.blur.value:.2f} px (lens and pixel, sd)"))
    if view.mm_per_px is not None:
        width = view.mm_per_px * profile.width
        facts.append(("Scale", f"{view.mm_per_px:.3g} mm a pixel, {width:.0f} mm across"))
    if view.smallest_mm is not None:
        facts.append(("Told apart", f"small sources {view.smallest_mm:.2f} mm from each other"))
    for v in view.visible:
        part = f", of a small part {_mk(v.part_k)}" if v.part_k is not None else ""
        facts.append((f"Seen in {v.watch_s:g} s", f"rise of a pixel {_mk(v.pixel_k)}{part}"))
    return tuple(facts)
