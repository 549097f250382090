"""A run of a programmable supply beside an open live view: begin it, look how it goes, stop it.

The page that begins it only polls: the run has a thread of its own, with the live view's camera as
its guard, and writes what the supply says onto the view's tape. It ends with the output off when
the page stops it, the camera is closed, the run is complete or cut out, and when the program ends.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from enum import StrEnum

from hotspot.bench.cameras import CameraKind
from hotspot.bench.live import LiveView
from hotspot.bench.practice import PracticeBenchSupply
from hotspot.bench.run import COMPLETE, STOPPED, RunReport, Timing, run_schedule
from hotspot.bench.schedule import Schedule
from hotspot.bench.session import open_supply
from hotspot.devices.dialect import Dialect
from hotspot.devices.supply import UNKNOWN_STATE, Readback, Supply
from hotspot.errors import HotspotError, InputError


class RunPhase(StrEnum):
    """How far a run is."""

    OPENING = "opening"
    RUNNING = "running"
    COMPLETE = "complete"
    STOPPED = "stopped"
    CUT_OUT = "cut out"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class SupplyRunState:
    """What is going on, for the screen.

    Attributes
    ----------
    phase
        How far it is.
    supply
        The supply's name; "" until it has answered.
    step
        What is set now, one line: "2/4: on, 0.3 V, 0.2 A, for 10 s".
    on
        Output as last read back; None: not known.
    volts, amps
        As last read back; None before.
    since_s, length_s
        Time since the beginning, and what the whole run takes.
    reason
        Why it ended, one sentence; "" while it runs and when complete.
    off_is_unknown
        Whether the output must be switched off by hand now.
    report
        How it ended; None while it runs and when it failed.
    """

    phase: RunPhase = RunPhase.OPENING
    supply: str = ""
    step: str = ""
    on: bool | None = None
    volts: float | None = None
    amps: float | None = None
    since_s: float = 0.0
    length_s: float = 0.0
    reason: str = ""
    off_is_unknown: bool = False
    report: RunReport | None = None

    @property
    def is_over(self) -> bool:
        """Whether the run has ended."""
        return self.phase not in (RunPhase.OPENING, RunPhase.RUNNING)


SupplyOpener = Callable[[Schedule], AbstractContextManager[Supply]]


def to_supply_opener(
    view: LiveView, *, address: str = "", dialect: Dialect | None = None
) -> SupplyOpener:
    """Return how to open the supply that stands beside a view.

    Parameters
    ----------
    view
        A practice stand's own supply is taken, whatever the address.
    address, dialect
        VISA address and words of a programmable supply.

    Raises
    ------
    InputError
        If the view plays a recording, which does not see the board, or there is no address.
    """
    stand = view.stand
    if stand is not None:
        supply = stand.supply
        return lambda schedule: nullcontext(PracticeBenchSupply(supply, bounds=schedule.bounds))
    if view.choice.kind in (CameraKind.REPLAY, CameraKind.PRACTICE):
        raise InputError(
            "does not see the board", where=str(view.choice.kind), cure="Open a real camera"
        )
    if not address.strip():
        raise InputError("has no address", where="supply", cure="TCPIP::HOST::5025::SOCKET or so")
    words = dialect or Dialect()
    return lambda schedule: open_supply(address.strip(), words, schedule=schedule)


class SupplyRun:
    """A plan being run on a programmable supply, guarded by the camera of a live view.

    Parameters
    ----------
    view
        Open, its cold baseline taken.
    schedule
        What to do; see `hotspot.bench.schedule.to_schedule`.
    opener
        See `to_supply_opener`.
    """

    def __init__(self, view: LiveView, schedule: Schedule, *, opener: SupplyOpener) -> None:
        self._view, self._schedule, self._opener = view, schedule, opener
        self._lock = threading.Lock()
        self._wanted = True
        self._begin_s = view.now_s()
        self._state = SupplyRunState(length_s=schedule.length_s)
        # No daemon: the program does not end before the output is off.
        self._thread = threading.Thread(target=self._run, name="supply", daemon=False)

    def start(self) -> None:
        """Open the supply and begin.

        Raises
        ------
        InputError
            If another run is under way, or the cold baseline is missing.
        """
        view = self._view
        if view.is_driven:
            raise InputError("a run is under way", where="supply", cure="Stop it first")
        if view.watch.hold:
            raise InputError(view.watch.hold, where="camera", cure="Take it first, output off")
        view.is_driven = True
        self._thread.start()

    def stop(self, *, within_s: float = 5.0) -> None:
        """End the run with the output off, and wait for it."""
        self._wanted = False
        if self._thread.is_alive():
            self._thread.join(timeout=within_s)

    def state(self) -> SupplyRunState:
        """Return what is going on."""
        with self._lock:
            return self._state

    def add(self, t_s: float, *, on: bool, read: Readback | None = None) -> None:
        """Write one line of the injection log; the run does this."""
        volts, amps = (None, None) if read is None else (read.volts, read.amps)
        self._view.note_output(t_s, on=on, volts=volts, amps=amps)
        if read is None:
            self._set(on=on, since_s=t_s - self._begin_s)
        else:
            self._set(on=on, volts=volts, amps=amps, since_s=t_s - self._begin_s)

    def _run(self) -> None:
        try:
            with self._opener(self._schedule) as supply:
                self._set(phase=RunPhase.RUNNING, supply=supply.name)
                report = run_schedule(
                    supply,
                    self._schedule,
                    log=self,
                    timing=Timing(self._view.now_s),
                    watch=self._view.watch,
                    stop=self._is_unwanted,
                    tell=lambda line: self._set(step=line),
                )
            phase = {COMPLETE: RunPhase.COMPLETE, STOPPED: RunPhase.STOPPED}.get(
                report.outcome, RunPhase.CUT_OUT
            )
            self._set(phase=phase, reason=report.reason, report=report)
        except HotspotError as err:
            unknown = UNKNOWN_STATE in err.what
            self._set(phase=RunPhase.FAILED, reason=err.sentence, off_is_unknown=unknown)
        except Exception as err:  # a defect of ours: the output is off, and the page must say so
            self._set(phase=RunPhase.FAILED, reason=f"defect in the program: {err!r}")
            raise
        finally:
            self._view.is_driven = False

    def _is_unwanted(self) -> bool:
        # The main thread is over when the program is ending: other threads are waited for then.
        ending = not threading.main_thread().is_alive()
        return not self._wanted or ending or not self._view.is_open

    def _set(self, **changes: object) -> None:
        with self._lock:
            self._state = replace(self._state, **changes)  # type: ignore[arg-type]
