"""What was done to a recording on the way to its finding, counted, for the report."""

from __future__ import annotations

import numpy as np

from hotspot.frame import Step
from hotspot.heat.clock import find_gaps
from hotspot.heat.heatmap import FrameCounts
from hotspot.line import Line
from hotspot.look import Look
from hotspot.undisturbed import Heated


def frame_counts(line: Line) -> FrameCounts:
    """Return what became of the frames and pixels."""
    audit = line.audit
    told_s = line.recording.t_s[: len(audit.t_s)]
    row, column, pixel = audit.noise
    return FrameCounts(
        total=len(audit.used),
        used=int(audit.used.sum()),
        repeated=int(audit.repeated.sum()),
        shutter=int(audit.shutter.sum()),
        moved=int(audit.moved.sum()),
        bad_pixels=int(audit.bad.sum()),
        blinking_pixels=line.blinking_pixels,
        # A stamp that was good is kept to the bit.
        times_mended=int(np.sum(audit.t_s[: len(told_s)] != told_s)),
        gaps=len(find_gaps(audit.t_s)),
        noise=(pixel, row, column),
    )


def steps_taken(counts: FrameCounts, heated: Heated, look: Look) -> tuple[Step, ...]:
    """Return the steps from the frames to the heat, each with what it found.

    Parameters
    ----------
    counts
        From `frame_counts`.
    heated, look
        The heat, and how it was looked at.
    """
    line, fit, audit = look.line, look.fit, look.line.audit
    unit = "mK" if line.unit == "K" else "relative"
    pixel, row, column = (1e3 * n if unit == "mK" else n for n in counts.noise)
    steps = [
        _step(
            "frames",
            used=counts.used,
            repeated=counts.repeated,
            shutter=counts.shutter,
            shutter_events=len(audit.shutter_events),
            moves_of_the_camera=len(audit.bumps),
            times_mended=counts.times_mended,
            gaps=counts.gaps,
        ),
        _step("pixels left out", bad=counts.bad_pixels, blinking=counts.blinking_pixels),
        Step(
            "noise of one frame",
            tuple(
                (name, f"{value:.3g} {unit}")
                for name, value in (("pixel", pixel), ("row", row), ("column", column))
            ),
        ),
        _step(
            "drift",
            patterns=line.calm_bins.drift.patterns.shape[1],
            put_back=fit.still.patterns.shape[1],
            courses_left_free=fit.free.shape[1],
        ),
        _step(
            "response",
            time_bins=len(line.calm_bins.bins.t_s),
            signal_contrasts=len(fit.maps),
            quiet_contrasts=len(fit.quiet),
        ),
    ]
    if line.coarse.factor > 1:
        steps.insert(2, _step("pixels averaged", side=line.coarse.factor))
    if heated.left_out_s:
        steps.append(Step("left out, something passed", (("seconds", f"{heated.left_out_s:.1f}"),)))
    if look.plain:
        steps.append(Step("display video looked at plainly"))
    return tuple(steps)


def _step(name: str, **counts: int) -> Step:
    return Step(name, tuple((key.replace("_", " "), str(n)) for key, n in counts.items()))
