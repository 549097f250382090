"""The whole protocol at once: cold baseline, plan, off, with a camera as guard and recorder."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from hotspot.bench.cutout import Sight
from hotspot.bench.guard import CameraGuard, TapeLog
from hotspot.bench.log import InjectionLog, Log
from hotspot.bench.picture import BASELINE_S
from hotspot.bench.run import RunReport, Timing, run_schedule
from hotspot.bench.schedule import Schedule, with_cold_and_after
from hotspot.bench.tape import Tape
from hotspot.checks import FloatArray
from hotspot.devices.camera import Camera
from hotspot.devices.replay import ReplayCamera
from hotspot.devices.supply import Readback, Supply
from hotspot.errors import HotspotError, InputError
from hotspot.profile import CameraProfile

# The baseline takes `BASELINE_S`; a second more for a camera that begins slowly.
LEAST_COLD_S = BASELINE_S + 1.0
# The identity of this program's own simulated supply, beside which a recording may play.
PRACTICE_NAME = "PRACTICE"

Show = Callable[[float, Readback | None, Sight | None], None]


@dataclass(frozen=True, slots=True, eq=False)
class Keeping:
    """What is kept of a run: a recording, which has the injection log in it, or the log alone.

    Attributes
    ----------
    record, log
        Folder of the recording, or else the file of the log.
    board, rail, landmarks
        Noted in the recording.
    """

    record: Path | None = None
    log: Path | None = None
    board: Path | None = None
    rail: str | None = None
    landmarks: FloatArray = field(default_factory=lambda: np.zeros((0, 4)))


@dataclass(frozen=True, slots=True)
class GuardedReport:
    """How a guarded run ended.

    Attributes
    ----------
    run
        As without a camera; its segments count the cold baseline as the first.
    frames, lost
        Frames on the tape, and those that the disk was too slow for.
    problem
        What the disk refused, one sentence; "" when all was written.
    """

    run: RunReport
    frames: int = 0
    lost: int = 0
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Protocol:
    """The times around a plan, and who is told.

    Attributes
    ----------
    cold_s, after_s
        Time before the output goes on (at least `LEAST_COLD_S`) and after it went off.
    tell, show
        Told what happens; shown each reading with what the camera sees.
    """

    cold_s: float = 8.0
    after_s: float = 10.0
    tell: Callable[[str], None] = lambda _: None
    show: Show = lambda _t, _r, _s: None

    def __post_init__(self) -> None:
        if not self.cold_s >= LEAST_COLD_S:
            raise ValueError(f"cold_s must be >= {LEAST_COLD_S:g}, got {self.cold_s!r}")


def run_guarded(
    supply: Supply, schedule: Schedule, *, camera: Camera, keep: Keeping, protocol: Protocol
) -> GuardedReport:
    """Run a plan with a camera as guard: cold, plan, off; the camera is closed at the end.

    Parameters
    ----------
    supply, schedule
        Open with its output off, and the plan.
    camera, keep, protocol
        The guard, what is kept, and the times around the plan.

    Raises
    ------
    HotspotError
        If the camera gives no picture, a recording would guard a real supply, or as
        `hotspot.bench.run.run_schedule`.
    """
    if isinstance(camera, ReplayCamera) and not supply.name.startswith(PRACTICE_NAME):
        raise InputError(
            "a recording does not see the board and guards nothing",
            where="--camera",
            cure="Give the camera that looks at the board",
        )
    guard = CameraGuard(camera)
    with open_book(guard, keep, profile=camera.profile) as book:
        try:
            guard.start()
            report = play(supply, schedule, guard=guard, book=book, protocol=protocol,
                          timing=Timing(guard.now))  # fmt: skip
        finally:
            guard.stop()
    return book.report(report)


@dataclass(frozen=True, slots=True)
class Book:
    """The log of a run, and the tape behind it if there is one."""

    log: Log
    tape: Tape | None = None

    def report(self, run: RunReport) -> GuardedReport:
        """Return how the run ended, with what is on the tape."""
        tape = self.tape
        if tape is None:
            return GuardedReport(run)
        return GuardedReport(run, tape.n_frames, tape.lost, tape.problem)


@contextmanager
def open_book(guard: CameraGuard, keep: Keeping, *, profile: CameraProfile) -> Iterator[Book]:
    """Open what is kept of a run, and close it whatever happens.

    Raises
    ------
    HotspotError
        If it exists already or cannot be written.
    ValueError
        If nothing is kept.
    """
    if keep.record is None:
        if keep.log is None:
            raise ValueError("keep must name a recording or a log")
        with InjectionLog(keep.log) as log:
            yield Book(log)
        return
    tape = Tape(
        keep.record,
        profile,
        board=keep.board,
        rail=keep.rail,
        landmarks=keep.landmarks,
    )
    guard.tape = tape
    try:
        yield Book(TapeLog(tape), tape)
    finally:
        guard.tape = None
        with suppress(HotspotError):  # the report says what the disk refused
            tape.close()


def play(
    supply: Supply,
    schedule: Schedule,
    *,
    guard: CameraGuard,
    book: Book,
    protocol: Protocol,
    timing: Timing,
) -> RunReport:
    """Run cold, plan, off with a guard that has begun to read."""
    return run_schedule(
        supply,
        with_cold_and_after(schedule, cold_s=protocol.cold_s, after_s=protocol.after_s),
        log=_Shown(book.log, guard, protocol.show),
        timing=timing,
        watch=guard.watch,
        tell=protocol.tell,
    )


class _Shown:
    """A log that also shows what it writes."""

    def __init__(self, log: Log, guard: CameraGuard, show: Show) -> None:
        self._log, self._guard, self._show = log, guard, show

    def add(self, t_s: float, *, on: bool, read: Readback | None = None) -> None:
        """Write one line and show it."""
        self._log.add(t_s, on=on, read=read)
        self._show(t_s, read, self._guard.watch.latest)
