"""Which end of a display's scale is warm: a camera may be set to show warm things dark.

Colours and grey levels do not tell. What warms up in step with the current does: where nothing
does the usual way up, and a part of the rail does with the scale turned over, that is how it was.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from hotspot.finding import HOT_SPOT, Finding
from hotspot.heat.calm import turned_over
from hotspot.line import Line

# A part named with this probability needs no second look at the scale.
CLEAR = 0.9

TURNED_WARNING = (
    "The display shows warm things dark, or its colours from warm to cold: what darkens in step"
    " with the current is taken for warm. Check the camera's setting"
)


def told_either_way(line: Line, conclude: Callable[[Line], Finding]) -> Finding:
    """Return the finding, for display video with whichever end of its scale taken as warm.

    Parameters
    ----------
    line
        What is known.
    conclude
        From what is known to a finding.
    """
    if line.recording.profile.is_radiometric:
        return conclude(line)
    turned = replace(line, calm_bins=turned_over(line.calm_bins), cold=-line.cold)
    finding = conclude(line)
    if _is_clear(finding, mapped=bool(line.places)):
        return finding
    other = conclude(turned)
    if not _is_clear(other, mapped=bool(line.places)):
        return finding
    if finding.verdict == HOT_SPOT and _top(finding) > _top(other):
        return finding
    return replace(other, warnings=(*other.warnings, TURNED_WARNING))


def _is_clear(finding: Finding, *, mapped: bool) -> bool:
    if finding.verdict != HOT_SPOT:
        return False
    return not mapped or (bool(finding.suspects) and finding.suspects[0].probability > CLEAR)


def _top(finding: Finding) -> float:
    return max((s.snr for s in finding.spots), default=0.0)
