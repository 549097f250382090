"""Second looks at a recording in which the first found no clear part.

A camera's display may be set to show warm things dark; colours and grey levels do not tell. And
where a warm hand is mirrored in the metal, what is left when that is taken out may still hide a
short, which is seen on the bodies and the mask beside it. Each time what counts is a part of the
rail that warms up in step with the current, seen clearly: to look twice must not make something of
nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from hotspot.finding import CANNOT_TELL, HOT_SPOT, NO_HOT_SPOT, Finding
from hotspot.heat.calm import turned_over, without_pixels
from hotspot.heat.mirror import Mirror
from hotspot.line import Line

# A part named with this probability needs no second look.
CLEAR = 0.9
# Metal left out reaches one pixel further, as optics blur it; what shows this much less heat than
# the mask, as far as the cold picture tells, mirrors the rest.
METAL_BELOW = 0.85

TURNED_WARNING = (
    "With the scale turned over a part warms up, and the usual way up none does: the camera seems"
    " to show warm things dark, or its colours from warm to cold. Check its setting"
)
BESIDE_METAL_WARNING = (
    "Something warm moves, mirrored in the metal, which was left out: keep hands and lamps away"
)

Progress = Callable[[float, str], None]


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """A finding, what it was told from, and the mirrors in which something was seen to move.

    `beside_heat` says that pads were restless, and taken to be so by strong heat beside them.
    """

    finding: Finding
    line: Line
    mirror: Mirror | None = None
    beside_heat: bool = False


def told_clearly(
    line: Line, conclude: Callable[[Line, Progress], Told], *, say: Progress
) -> Finding:
    """Return the finding of the first look that names a part clearly, or else of the first.

    Parameters
    ----------
    line
        What is known.
    conclude
        From what is known to a finding.
    say
        Progress, as of `hotspot.find.find`; it does not run back at a second look.
    """
    forward = _forward(say)
    display = not line.recording.profile.is_radiometric
    # A look changes the bins in place: what is to be turned over is put aside before the first.
    turned = _turned(line) if display else line
    told = conclude(line, forward)
    finding = told.finding
    mapped = bool(line.places)
    if _is_clear(finding, mapped=mapped):
        return finding
    if told.mirror is not None and mapped:
        other = conclude(_beside_metal(told.line, told.mirror), forward).finding
        if _is_clear(other, mapped=True):
            return replace(other, warnings=(*other.warnings, BESIDE_METAL_WARNING))
        # Nothing is ruled out by a look in which something moved, where another sees something.
        if finding.verdict == NO_HOT_SPOT and other.verdict == CANNOT_TELL:
            finding = other
    if told.beside_heat and mapped:
        other = conclude(replace(told.line, doubted=True), forward).finding
        if _is_clear(other, mapped=True):
            return other
    if display:
        other = conclude(turned, forward).finding
        weaker = finding.verdict == HOT_SPOT and _top(finding) > _top(other)
        if _is_clear(other, mapped=mapped) and not weaker:
            return replace(other, warnings=(*other.warnings, TURNED_WARNING))
    return finding


def _turned(line: Line) -> Line:
    return replace(line, calm_bins=turned_over(line.calm_bins), cold=-line.cold, turned=True)


def _beside_metal(line: Line, mirror: Mirror) -> Line:
    metal = mirror.strength > 0
    if line.emissivity is not None:
        metal = metal | (line.emissivity < METAL_BELOW)
    wide = cv2.dilate(metal.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return replace(line, calm_bins=without_pixels(line.calm_bins, wide), moving=True)


def _is_clear(finding: Finding, *, mapped: bool) -> bool:
    if finding.verdict != HOT_SPOT:
        return False
    return not mapped or (bool(finding.suspects) and finding.suspects[0].probability > CLEAR)


def _top(finding: Finding) -> float:
    return max((s.snr for s in finding.spots), default=0.0)


def _forward(say: Progress) -> Progress:
    """Return progress that does not run back."""
    furthest = 0.0

    def inner(share: float, what: str) -> None:
        nonlocal furthest
        furthest = max(furthest, share)
        say(furthest, what)

    return inner
