"""The live answer: what the frames since the baseline say so far, about once a second."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from hotspot.bench.buffer import LiveBuffer
from hotspot.board import Board
from hotspot.checks import FloatArray
from hotspot.errors import HotspotError
from hotspot.find import find
from hotspot.finding import Finding
from hotspot.frame import ArraySource, Recording, SwitchLog
from hotspot.profile import CameraProfile, Values

# Fewer means than this say nothing yet (4 s at the first width).
LEAST_MEANS = 32
PAUSE_S = 0.7
# The analysis may take this share of its thread's time, so that the picture stays fluent.
BUSY_SHARE = 0.5
_SHOWN = 5


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
    """

    t_s: float = 0.0
    verdict: str = ""
    suspects: tuple[tuple[str, float, str], ...] = ()
    spots: tuple[tuple[float, float, float, str], ...] = ()
    false_alarm: float = 1.0
    history: tuple[tuple[float, str, float], ...] = ()
    note: str = ""


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


def to_recording(
    buffer: LiveBuffer, *, profile: CameraProfile, case: Case, log: SwitchLog | None
) -> Recording:
    """Return the means of a buffer as a recording of values in °C (or display levels)."""
    frames, t_s = buffer.result()
    kind = Values.CELSIUS if profile.is_radiometric else Values.GREY8
    shown = CameraProfile(
        name=profile.name,
        width=profile.width,
        height=profile.height,
        values=kind,
        psf_sigma_px=profile.psf_sigma_px,
    )
    return Recording(
        name="live",
        profile=shown,
        t_s=t_s,
        source=ArraySource(frames),
        injection=log,
        landmarks=case.landmarks,
        rail=case.rail,
    )


class Analyst(threading.Thread):
    """Asks again and again what the frames say, in a thread of its own.

    Parameters
    ----------
    take
        Returns the recording so far, None while there is nothing to analyse.
    case
        What it is held against.
    """

    def __init__(self, take: Callable[[], Recording | None], *, case: Case) -> None:
        super().__init__(name="analysis", daemon=True)
        self._take = take
        self._case = case
        self._stopped = threading.Event()
        self._lock = threading.Lock()
        self._latest = Suspicion()

    @property
    def latest(self) -> Suspicion:
        """The answer so far."""
        with self._lock:
            return self._latest

    def forget(self) -> None:
        """Begin anew: another baseline."""
        with self._lock:
            self._latest = Suspicion()

    def stop(self) -> None:
        """End the thread."""
        self._stopped.set()

    def run(self) -> None:
        """Analyse until stopped."""
        pause_s = PAUSE_S
        while not self._stopped.wait(pause_s):
            begun = time.monotonic()
            self._once()
            spent_s = time.monotonic() - begun
            pause_s = max(PAUSE_S, spent_s * (1.0 - BUSY_SHARE) / BUSY_SHARE)

    def _once(self) -> None:
        recording = self._take()
        if recording is None or len(recording.t_s) < LEAST_MEANS:
            return
        before = self.latest
        try:
            finding = find(
                recording, board=self._case.board, rail=self._case.rail, history=self._case.history
            )
            answer = to_suspicion(finding, t_s=float(recording.t_s[-1]), before=before)
        except HotspotError as err:
            answer = Suspicion(history=before.history, note=err.sentence)
        with self._lock:
            if self._latest is before:  # not forgotten meanwhile
                self._latest = answer


def to_suspicion(finding: Finding, *, t_s: float, before: Suspicion) -> Suspicion:
    """Return a finding as the live view shows it, appended to what came before."""
    suspects = tuple((s.ref, float(s.probability), s.why) for s in finding.suspects[:_SHOWN])
    first = suspects[0][:2] if suspects else ("", 0.0)
    return Suspicion(
        t_s=t_s,
        verdict=finding.verdict,
        suspects=suspects,
        spots=tuple(
            (float(s.xy_px[0]), float(s.xy_px[1]), float(s.peak_k), s.role)
            for s in finding.spots[:3]
        ),
        false_alarm=float(finding.false_alarm_probability),
        history=(*before.history[-119:], (t_s, *first)),
        note=finding.warnings[0] if finding.warnings and not suspects else "",
    )
