"""Run a schedule on a supply: switch, read back, watch, log, and off on every way out."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from types import FrameType

from hotspot.bench.cutout import (
    SETTLE_S,
    ExpectedRise,
    ThermalWatch,
    find_camera_fault,
    find_supply_fault,
)
from hotspot.bench.log import Log
from hotspot.bench.schedule import Schedule, Segment
from hotspot.devices.supply import Readback, Supply
from hotspot.errors import HotspotError, SupplyError

POLL_S = 0.1
# Before the output goes on the rail must be dead. Meters of plain supplies are good to 30 mV; the
# supply's own output capacitor may need a second or two to empty.
DEAD_RAIL_V = 0.1
DISCHARGE_S = 2.0
# What ends a program from outside. A program that is suspended (Ctrl-Z) watches nothing any more,
# so that ends the run as well. SIGKILL and SIGSTOP cannot be caught.
ENDING = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGTSTP", "SIGBREAK")
COMPLETE, CUT_OUT, STOPPED = "complete", "cut out", "stopped"


@dataclass(frozen=True, slots=True)
class RunReport:
    """How a run ended.

    Attributes
    ----------
    outcome
        `COMPLETE`, `CUT_OUT` or `STOPPED`.
    reason
        Why, in one sentence; "" when complete.
    segments
        Number of segments done.
    off_confirmed
        Whether the supply itself said off (False for a supply worked by hand).
    off_s
        Time from noticing until off was confirmed.
    in_voltage_mode
        Number of the first segment that settled in constant voltage although the plan expects
        its current limit to hold; None when there was none.
    """

    outcome: str
    reason: str
    segments: int
    off_confirmed: bool
    off_s: float
    in_voltage_mode: int | None = None


@dataclass(frozen=True, slots=True)
class Timing:
    """The run's clock: seconds from the first frame, and how to wait."""

    now: Callable[[], float]
    wait: Callable[[float], None] = time.sleep


def start_timing() -> Timing:
    """Return a clock that starts now."""
    begin = time.monotonic()
    return Timing(now=lambda: time.monotonic() - begin)


class Interrupted(KeyboardInterrupt):
    """The program was told to end while the output was on; raised after off."""


class _Cut(Exception):  # noqa: N818 (an outcome on its way out, not an error)
    def __init__(self, outcome: str, reason: str) -> None:
        super().__init__(reason)
        self.outcome = outcome
        self.reason = reason


@dataclass(slots=True)
class _Run:
    supply: Supply
    schedule: Schedule
    log: Log
    timing: Timing
    watch: ThermalWatch | None
    stop: Callable[[], bool]
    tell: Callable[[str], None]
    expected: ExpectedRise
    done: int = 0
    voltage_mode: int | None = None
    last: Segment | None = field(default=None)

    def play(self) -> None:
        self.supply.switch_off()
        self.log.add(self.timing.now(), on=False)
        self._look_at_camera()  # a camera that sends nothing starts nothing
        self._wait_for_dead_rail()
        for number, segment in enumerate(self.schedule.segments):
            self._begin(segment, number)
            start_s = self.timing.now()
            while self.timing.now() - start_s < segment.length_s:
                read = self.supply.read(self._look_at_camera) if self.supply.reads_back else None
                now_s = self.timing.now()
                if read is not None:
                    self.log.add(now_s, on=segment.on, read=read)
                self._look(segment, read, since_s=now_s - start_s)
                self._note_mode(segment, read, number, since_s=now_s - start_s)
                rest_s = segment.length_s - (self.timing.now() - start_s)
                self.timing.wait(max(0.0, min(POLL_S, rest_s)))
            self.done = number + 1

    def _wait_for_dead_rail(self) -> None:
        """Wait until nothing is at the terminals; a voltage that stays comes from elsewhere."""
        if not self.supply.reads_back:
            return
        begin_s = self.timing.now()
        while True:
            volts = self.supply.read(self._look_at_camera).volts
            if volts is None or abs(volts) <= DEAD_RAIL_V:
                return
            if self.timing.now() - begin_s > DISCHARGE_S:
                raise _Cut(
                    CUT_OUT,
                    f"{volts:.2f} V at the terminals although the output is off: a battery or "
                    "another source is connected. Disconnect it first",
                )
            self.timing.wait(POLL_S)

    def _begin(self, segment: Segment, number: int) -> None:
        last = self.last
        same = last is not None and (last.set_v, last.limit_a) == (segment.set_v, segment.limit_a)
        if not same:
            # Going up with the output on is safe: each bound is that of the last, highest step.
            self.supply.set_point(segment.set_v, segment.limit_a)
            if last is None:
                self.supply.arm_trips()
        if segment.on and (last is None or not last.on):
            if self.watch is not None and self.watch.hold:
                raise _Cut(CUT_OUT, f"not switched on: {self.watch.hold}")
            self.supply.switch_on()
        elif not segment.on:
            self.supply.switch_off()
        now_s = self.timing.now()
        self.log.add(now_s, on=segment.on)
        self.expected.set_power(segment.fault_w, at_s=now_s)
        self.last = segment
        setting = f"on, {segment.set_v:g} V, {segment.limit_a:g} A" if segment.on else "off"
        self.tell(
            f"{number + 1}/{len(self.schedule.segments)}: {setting}, for {segment.length_s:g} s"
        )

    def _look(self, segment: Segment, read: Readback | None, *, since_s: float) -> None:
        if read is not None:
            fault = find_supply_fault(self.schedule, segment, read, since_s=since_s)
            if fault is not None:
                raise _Cut(CUT_OUT, fault)
            if segment.on and read.volts is not None and read.amps is not None:
                # All the supply delivers could heat the spot; that bounds the prediction above.
                drawn_w = max(segment.fault_w, read.volts * read.amps)
                self.expected.set_power(drawn_w, at_s=self.timing.now())
        self._look_at_camera()

    def _look_at_camera(self) -> None:
        # Also called between two questions to the supply: a slow supply must not blind the camera.
        now_s = self.timing.now()
        if self.stop():
            raise _Cut(STOPPED, "stopped by hand")
        if self.watch is not None:
            if self.watch.problem:
                raise _Cut(CUT_OUT, f"camera: {self.watch.problem}")
            fault = find_camera_fault(
                self.schedule,
                self.watch.latest,
                now_s=now_s,
                expected_k=self.expected.at(now_s),
            )
            if fault is not None:
                raise _Cut(CUT_OUT, fault)

    def _note_mode(
        self, segment: Segment, read: Readback | None, number: int, *, since_s: float
    ) -> None:
        if read is None or read.amps is None or not segment.on or since_s < SETTLE_S:
            return
        low = read.amps < 0.8 * segment.limit_a  # well beyond what a poor meter may be off
        if self.voltage_mode is None and segment.mode == "current" and low:
            self.voltage_mode = number


def run_schedule(
    supply: Supply,
    schedule: Schedule,
    *,
    log: Log,
    timing: Timing | None = None,
    watch: ThermalWatch | None = None,
    stop: Callable[[], bool] = lambda: False,
    tell: Callable[[str], None] = lambda _: None,
) -> RunReport:
    """Run a schedule; the output is off, and confirmed off, whichever way this returns.

    Parameters
    ----------
    supply, schedule, log
        What to work, what to do, where to write it down.
    timing
        Clock whose zero is the first frame; starts now when None.
    watch
        The camera's word; None runs without a camera, and then nothing guards the temperature
        but the plan's own power limits.
    stop
        Asked at every reading; true ends the run.
    tell
        Told what happens, for people.

    Raises
    ------
    SupplyError
        "output state unknown" when off could not be confirmed: it must be done by hand.
    Interrupted
        After off, when the program was told to end (`ENDING`).
    """
    timing = timing or start_timing()
    run = _Run(supply, schedule, log, timing, watch, stop, tell, ExpectedRise(schedule))
    outcome, reason = COMPLETE, ""
    noticed_s = timing.now()
    with _signals_as_exceptions() as signals:
        try:
            run.play()
        except _Cut as cut:
            outcome, reason = cut.outcome, cut.reason
        except HotspotError as err:  # the supply said no, or the disk did not take the log
            outcome, reason = CUT_OUT, err.sentence
        finally:
            try:
                noticed_s = timing.now()
                signals.deaf = True  # a second Ctrl-C must not break off the switching off
            finally:
                supply.switch_off()
            off_at_s = timing.now()
            with suppress(HotspotError):  # a full disk; the run has been cut out for it already
                log.add(off_at_s, on=False)
    return RunReport(
        outcome, reason, run.done, _says_off(supply), off_at_s - noticed_s, run.voltage_mode
    )


def _says_off(supply: Supply) -> bool:
    """Return whether the supply itself says off; some cannot say, and the hand cannot."""
    try:
        return supply.reads_back and supply.read().on is False
    except SupplyError:
        return False  # switching off has been confirmed or raised before; this is for the record


@dataclass(slots=True)
class _Signals:
    deaf: bool = False


@contextmanager
def _signals_as_exceptions() -> Iterator[_Signals]:
    """Turn the signals that end a program into `Interrupted`, so that the off path runs."""
    state = _Signals()
    if threading.current_thread() is not threading.main_thread():
        yield state  # only the main thread gets signals; the app stops its worker by `stop`
        return

    def end(number: int, frame: FrameType | None) -> None:
        if not state.deaf:
            state.deaf = True
            raise Interrupted(signal.Signals(number).name)

    names = [name for name in ENDING if hasattr(signal, name)]
    before = {name: signal.signal(getattr(signal, name), end) for name in names}
    try:
        yield state
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)
