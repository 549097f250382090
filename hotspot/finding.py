"""The finding: what the recording says, in the form others rely on."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from hotspot.checks import FloatArray
from hotspot.frame import Step
from hotspot.heat.heatmap import FrameCounts, HeatMap, Switching
from hotspot.register.registration import Registration

HOT_SPOT = "hot spot"
NO_HOT_SPOT = "no hot spot"
CANNOT_TELL = "cannot tell"
# No bench supply puts more into a short on a small board (common practice, no source).
MOST_POWER_W = 30.0


@dataclass(frozen=True, slots=True, eq=False)
class Spot:
    """One hot spot.

    Attributes
    ----------
    xy_px, cov_px2
        Centre (2,) and covariance (2, 2) in thermal pixels.
    snr
        Matched-filter signal-to-noise ratio.
    peak_k
        Peak rise in K (relative units for display video).
    role
        "fault", "path" or "unknown".
    xy_mm, cov_mm2
        Board position and covariance, or None.
    photo_xy_px
        Photo position, or None.
    """

    xy_px: FloatArray
    cov_px2: FloatArray
    snr: float
    peak_k: float
    role: str = "unknown"
    xy_mm: FloatArray | None = None
    cov_mm2: FloatArray | None = None
    photo_xy_px: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class Suspect:
    """One part under suspicion.

    Attributes
    ----------
    ref
        Reference designator.
    probability
        That this part is the fault; all suspects sum to at most 1, the rest is something else.
    spot
        Index of the spot it explains, or None.
    why
        One sentence.
    """

    ref: str
    probability: float
    spot: int | None
    why: str


@dataclass(frozen=True, slots=True)
class DetectionLimit:
    """From where on a short would have been seen, nine times of ten.

    Attributes
    ----------
    rise_k
        Rise of the brightest pixel over the part, for half of the parts; in relative units for
        display video.
    power_w
        Power in the part that makes it, by a plate model that errs on the safe side; None without
        a scale or without kelvins.
    hardest
        The part that needs the most power; "" where no parts are known.
    hardest_w
        That power, or None.
    """

    rise_k: float
    power_w: float | None
    hardest: str = ""
    hardest_w: float | None = None

    @property
    def blind(self) -> bool:
        """Whether no short would have been seen at all."""
        return self.power_w is not None and self.power_w > MOST_POWER_W


@dataclass(frozen=True, slots=True, eq=False)
class Finding:
    """What the recording says.

    Attributes
    ----------
    verdict
        `HOT_SPOT`, `NO_HOT_SPOT` or `CANNOT_TELL`.
    false_alarm_probability
        Chance of a reading this strong from noise and nuisances alone, over the whole image.
    spots
        Strongest first.
    suspects
        Most probable first. Where the verdict is `CANNOT_TELL` they are a hint, with half of their
        probability at most.
    heat
        The heat map behind it.
    limit
        What would have been seen, where nothing was; None without a log.
    """

    verdict: str
    false_alarm_probability: float
    spots: tuple[Spot, ...]
    suspects: tuple[Suspect, ...]
    registration: Registration
    switching: Switching
    frames: FrameCounts
    heat: HeatMap
    warnings: tuple[str, ...] = ()
    steps: tuple[Step, ...] = field(default=())
    limit: DetectionLimit | None = None


def finding_to_dict(finding: Finding) -> dict[str, Any]:
    """Return the finding as plain data, the JSON of ``hotspot find --json`` (format 1)."""

    def plain(array: FloatArray | None) -> Any:
        return None if array is None else array.tolist()

    return {
        "format": 1,
        "verdict": finding.verdict,
        "false_alarm_probability": float(finding.false_alarm_probability),
        "spots": [
            {
                "thermal_xy_px": plain(s.xy_px),
                "thermal_cov_px2": plain(s.cov_px2),
                "snr": float(s.snr),
                "peak_delta_k": float(s.peak_k),
                "role": s.role,
                "board_xy_mm": plain(s.xy_mm),
                "board_cov_mm2": plain(s.cov_mm2),
                "photo_xy_px": plain(s.photo_xy_px),
            }
            for s in finding.spots
        ],
        "suspects": [
            {"ref": s.ref, "probability": float(s.probability), "spot": s.spot, "why": s.why}
            for s in finding.suspects
        ],
        "registration": {
            "method": finding.registration.method,
            "rms_px": finding.registration.rms_px,
        },
        "injection": {
            "source": finding.switching.source,
            "onset_s": finding.switching.onset_s,
            "period_s": finding.switching.period_s,
        },
        "frames": {
            "total": finding.frames.total,
            "used": finding.frames.used,
            "repeated": finding.frames.repeated,
            "shutter": finding.frames.shutter,
            "moved": finding.frames.moved,
            "bad_pixels": finding.frames.bad_pixels,
            "blinking_pixels": finding.frames.blinking_pixels,
            "times_mended": finding.frames.times_mended,
            "gaps": finding.frames.gaps,
        },
        "frame_noise": {
            **dict(zip(("pixel", "row", "column"), finding.frames.noise, strict=True)),
            "unit": finding.heat.unit,
        },
        "warnings": list(finding.warnings),
        **({} if finding.limit is None else {"detection_limit": _plain_limit(finding.limit)}),
    }


def _plain_limit(limit: DetectionLimit) -> dict[str, Any]:
    return {
        "delta_k": limit.rise_k,
        "power_w": limit.power_w,
        "hardest": limit.hardest or None,
        "hardest_power_w": limit.hardest_w,
    }
