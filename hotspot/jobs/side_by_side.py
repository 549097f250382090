"""The heat before and after the repair, on one scale: two pictures that can be compared."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotspot.files.heatfile import load_heat_picture
from hotspot.store.entries import FindingEntry, JobFile, Phase
from hotspot.store.jobs import JobStore

# Smooths single noisy pixels out of the scale's end: this share of the pixels may lie above.
ABOVE_SHARE = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class SideBySide:
    """Two heat maps and the scale that both are to be shown on.

    Attributes
    ----------
    before, after
        (rows, cols) float32 rise above cold, NaN where a pixel is bad; None when not recorded.
    top
        Where the scale ends, in `unit`; it begins at 0.
    before_top, after_top
        Strongest rise in each; 0 when not recorded.
    unit
        "K" or "relative".
    """

    before: NDArray[np.float32] | None
    after: NDArray[np.float32] | None
    top: float
    before_top: float
    after_top: float
    unit: str


def find_deciding(file: JobFile, phase: Phase) -> FindingEntry | None:
    """Return the finding that counts: the last one with a hot spot, else the last one."""
    found = [f for f in file.findings if f.phase is phase and f.files]
    spots = [f for f in found if f.verdict == "hot spot"]
    return next(iter([*reversed(spots), *reversed(found)]), None)


def load_side_by_side(store: JobStore, file: JobFile) -> SideBySide:
    """Return the heat maps kept with a job, before and after.

    After the repair the newest recording counts, whatever it says.

    Raises
    ------
    hotspot.errors.HotspotError
        If one cannot be read.
    """
    after = [f for f in file.findings if f.phase is Phase.AFTER and f.files]
    pictures: list[NDArray[np.float32] | None] = []
    unit = "K"
    for finding in (find_deciding(file, Phase.BEFORE), after[-1] if after else None):
        kept = [] if finding is None else [a for a in finding.files if a.name == "heat.tif"]
        if not kept:
            pictures.append(None)
            continue
        picture, unit = load_heat_picture(store.blobs.read(kept[0].sha256))
        pictures.append(picture)
    tops = [0.0 if p is None else float(np.nanquantile(p, 1.0 - ABOVE_SHARE)) for p in pictures]
    return SideBySide(
        before=pictures[0],
        after=pictures[1],
        top=max(*tops, 1e-6),
        before_top=max(tops[0], 0.0),
        after_top=max(tops[1], 0.0),
        unit=unit,
    )
