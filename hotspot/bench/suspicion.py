"""The live answer: what frames since the baseline say so far, and what they are held against."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from hotspot.bench.spoilt import Spoilt
from hotspot.board import Board
from hotspot.checks import FloatArray
from hotspot.evidence.words import main_spot, named_suspect
from hotspot.finding import Finding

_SHOWN = 5
_MOST_ANSWERS = 120


@dataclass(frozen=True, slots=True)
class Suspicion:
    """The answer so far.

    Attributes
    ----------
    t_s
        Time of the last frame that went in.
    verdict
        As in a finding; empty before the first answer.
    suspects
        (reference, probability, why), the most probable first.
    spots
        (x px, y px, peak rise, role) in the thermal picture, strongest first.
    false_alarm
        Chance of a reading this strong from noise alone.
    history
        (time, reference of the first suspect, its probability), one entry an answer.
    note
        Why there is no answer, in one sentence.
    named
        The part that the answer names; empty while all parts explain the heat badly.
    spoilt
        What the camera gave since the baseline that says nothing; None before it is known.
    """

    t_s: float = 0.0
    verdict: str = ""
    suspects: tuple[tuple[str, float, str], ...] = ()
    spots: tuple[tuple[float, float, float, str], ...] = ()
    false_alarm: float = 1.0
    history: tuple[tuple[float, str, float], ...] = ()
    note: str = ""
    named: str = ""
    spoilt: Spoilt | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """What the frames are held against.

    Attributes
    ----------
    board, rail
        The part map and the rail under injection.
    landmarks
        (n, 4) thermal and photo px.
    history
        Failures by reference on this board type.
    """

    board: Board | None = None
    rail: str | None = None
    landmarks: FloatArray = field(default_factory=lambda: np.zeros((0, 4)))
    history: Mapping[str, int] | None = None


def to_suspicion(finding: Finding, *, t_s: float, before: Suspicion) -> Suspicion:
    """Return a finding as the live view shows it, appended to what came before."""
    suspects = tuple((s.ref, float(s.probability), s.why) for s in finding.suspects[:_SHOWN])
    first = suspects[0][:2] if suspects else ("", 0.0)
    named, main = named_suspect(finding), main_spot(finding)
    spots = sorted(finding.spots, key=lambda s: s is not main)  # the one it is about comes first
    return Suspicion(
        t_s=t_s,
        verdict=finding.verdict,
        suspects=suspects,
        spots=tuple(
            (float(s.xy_px[0]), float(s.xy_px[1]), float(s.peak_k), s.role) for s in spots[:3]
        ),
        false_alarm=float(finding.false_alarm_probability),
        history=(*before.history[1 - _MOST_ANSWERS :], (t_s, *first)),
        named="" if named is None else named.ref,
        note=finding.warnings[0] if finding.warnings and not suspects else "",
    )
