"""Why no part may be named, each a sentence with its cure."""

from __future__ import annotations

MIRRORED = (
    "Several places change together, as when a hand or something warm is mirrored in solder and"
    " shield cans: keep hands and lamps away, cover the metal with tape, and record again"
)
OFF_PARTS = (
    "Nothing clear on a part of the rail: check that the rail is the right one, raise the current"
    " as planned, and record longer"
)
ON_A_CAN = (
    "A shield can is warm where no part of the rail lies: it may mirror a hand or a lamp, or lie"
    " over the short: cover it with tape or take it off, keep hands away, and record again"
)
WEAK = "A weak reading that could be noise: raise the current as planned, and record longer"
WEAK_UNLOGGED = f"{WEAK}, with a log of when the output was on"
# Doubts that are of noise alone: what is seen may well be a short's.
OF_NOISE = (WEAK, WEAK_UNLOGGED)
COOLING = (
    "What changes here does so from the first second on, before the output was on: the board is"
    " still cooling; let it rest for some minutes and record again"
)
BEGUN = (
    "What warms does so from the first second on, as a camera that is warming up does: start the"
    " recording, wait five seconds, and only then switch on"
)
