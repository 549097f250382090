"""One open camera: the thread that reads it, and everything that happens to a frame at once."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hotspot.bench.analyst import Analyst
from hotspot.bench.cameras import CameraChoice, PracticeStand, open_camera
from hotspot.bench.cue import PulseTrain
from hotspot.bench.cutout import ThermalWatch
from hotspot.bench.deck import Deck
from hotspot.bench.guard import NO_BASELINE
from hotspot.bench.live_state import Bounds, LiveState, find_alarm
from hotspot.bench.live_values import LiveValues
from hotspot.bench.output_log import Arrivals, OutputLog
from hotspot.bench.picture import RisePicture, Shot
from hotspot.bench.sight import Lookout
from hotspot.bench.suspicion import Case
from hotspot.bench.tape import Tape
from hotspot.devices.camera import Camera
from hotspot.devices.replay import ReplayCamera
from hotspot.errors import HotspotError, InputError
from hotspot.frame import RawFrame
from hotspot.profile import CameraProfile
from hotspot.radiometry import has_celsius

RETRY_S = 1.0


class LiveView:
    """An open camera with baseline, output log, tape, alarm and live answer.

    Parameters
    ----------
    choice
        Which camera.
    case
        What the frames are held against.
    bounds
        When to raise the alarm.
    opened
        Called with each `Shot`, in the camera's thread.
    is_wanted
        Asked between frames; when it says no, the camera is released.
    opener, clock
        How cameras are opened, and time in s.

    Attributes
    ----------
    watch
        The camera's word for a run of the supply.
    is_driven
        Whether a `SupplyRun` works the output: then the output is not switched here.
    """

    def __init__(
        self,
        choice: CameraChoice,
        *,
        case: Case,
        bounds: Bounds,
        publish: Callable[[Shot], None],
        is_wanted: Callable[[], bool] = lambda: True,
        profile: CameraProfile | None = None,
        opener: Callable[..., Camera] = open_camera,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.choice = choice
        self.case = case
        self.bounds = bounds
        self.train: PulseTrain | None = None
        self.watch = ThermalWatch()
        self.is_driven = False
        self._publish, self._is_wanted, self._clock = publish, is_wanted, clock
        self._opener, self._given_profile = opener, profile
        self._lock = threading.RLock()
        self._stopped = threading.Event()
        self._picture = RisePicture()
        self._output = OutputLog()
        self._deck = Deck()
        self._problem = ""
        self._values: NDArray[np.float32] | None = None
        self._alarm = ""
        self._number = 0
        self._t_s = 0.0
        self._offset_s = 0.0
        self._start_s, self._lag_s = clock(), float("inf")
        self._arrivals = Arrivals()
        self._camera: Camera | None = self._open()  # a wrong choice is said at once
        self._profile = self._camera.profile
        self._lookout, self._of = Lookout(self._profile), LiveValues(self._profile)
        self._analyst = Analyst()
        self._thread = threading.Thread(target=self._run, name="camera", daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()
        self._analyst.start()

    def stop(self) -> None:
        """Let go of the camera; the output of a practice stand goes off, a tape is closed."""
        self._stopped.set()
        if self._thread.is_alive() and threading.current_thread() is not self._thread:
            self._thread.join(timeout=5)

    @property
    def is_open(self) -> bool:
        """Whether the view still holds its camera."""
        return not self._stopped.is_set()

    @property
    def stand(self) -> PracticeStand | None:
        """The practice stand, if it is one."""
        return self._camera if isinstance(self._camera, PracticeStand) else None

    @property
    def profile(self) -> CameraProfile:
        """What the camera's numbers mean."""
        return self._profile

    def _open(self) -> Camera:
        return self._opener(self.choice, board=self.case.board, profile=self._given_profile)

    @property
    def cold(self) -> NDArray[np.float32] | None:
        """The baseline, or the newest picture while there is none; None before the first."""
        with self._lock:
            baseline = self._picture.baseline
            return self._values if baseline is None else baseline

    def set_case(self, case: Case) -> None:
        """Hold frames against something else: landmarks were clicked."""
        with self._lock:
            self.case = case
            self._analyst.set_case(case)
            self._deck.set_case(case)

    # What the technician does --------------------------------------------------------------------

    def take_baseline(self) -> None:
        """Take the cold baseline from now on; the answer begins anew.

        Raises
        ------
        InputError
            While a run drives the supply.
        """
        if self.is_driven:
            raise InputError("the supply is being driven", where="baseline", cure="Stop it first")
        with self._lock:
            self._picture.begin_baseline(self._t_s)
            self._output = self._output.from_now(self._t_s)
            self._alarm = ""
            self._analyst.begin(self._profile, case=self.case)

    def switch(self, on: bool, *, volts: float | None = None, amps: float | None = None) -> None:
        """Note that the output goes on or off; a practice stand's output really does.

        Raises
        ------
        ValueError
            If the practice supply cannot give the set point.
        """
        with self._lock:
            stand = self.stand
            if stand is not None:
                if on and volts is not None and amps is not None:
                    stand.supply.set_point(volts, amps)
                (stand.supply.switch_on if on else stand.supply.switch_off)()
            if self._output.is_news(on):
                self.note_output(self.now_s(), on=on, volts=volts, amps=amps)

    def note_output(self, t_s: float, *, on: bool, volts: float | None, amps: float | None) -> None:
        """Note what a supply says of its output; every reading goes onto the tape."""
        with self._lock:
            if on and not self._output.on:
                self._alarm = ""
            if self._output.note(t_s, on) or amps is not None:
                self._analyst.switch(on, t_s=t_s, volts=volts, amps=amps)
            self._deck.switch(t_s, on=on, volts=volts, amps=amps)

    def begin_train(self, train: PulseTrain | None) -> None:
        """Show cues for switching by hand from now on; None: no more."""
        with self._lock:
            self.train = None if train is None else replace(train, first_s=self._t_s + 5.0)
            if train is not None and not self._output.is_known:
                self._analyst.expect_pulses()

    def begin_tape(self, folder: Path, *, note: str = "") -> None:
        """Record from now on.

        Raises
        ------
        HotspotError
            If the folder cannot be written.
        """
        if self.is_taping:
            return
        # Opened before taking the lock: the camera's thread needs it and must not wait for disks.
        case = self.case
        tape = Tape(folder, self._profile, rail=case.rail, landmarks=case.landmarks, note=note)
        with self._lock:
            on = self._output.on if self._output.is_known else None
            self._deck.begin(tape, at_s=self._t_s, on=on)

    def end_tape(self) -> Path | None:
        """Stop recording; return the folder, None if nothing was recorded."""
        with self._lock:
            tape = self._deck.eject()
        return None if tape is None else self._deck.close(tape)

    def rest(self) -> None:
        """Let the live analysis rest until the next baseline: the recording is analysed in full."""
        self._analyst.rest()

    @property
    def is_taping(self) -> bool:
        """Whether a recording is being written."""
        return self._deck.tape is not None

    def state(self) -> LiveState:
        """Return what is going on."""
        with self._lock:
            picture, tape = self._picture, self._deck.tape
            taken = "taken" if picture.baseline is not None else "none"
            rate, fresh = self._arrivals.rates_hz(now_s=self._clock())
            return LiveState(
                camera=self._profile.name,
                size=(self._profile.width, self._profile.height),
                rate_hz=rate,
                fresh_hz=fresh,
                noise=picture.noise,
                unit="°C" if has_celsius(self._profile) else "levels",
                problem=self._problem,
                t_s=self._t_s,
                baseline="taking" if picture.is_collecting else taken,
                baseline_left_s=picture.left_s(self._t_s),
                on=self._output.on if self._output.is_known else None,
                since_s=self._output.since_s(self._t_s),
                alarm=self._alarm,
                recorded=0 if tape is None else tape.n_frames,
                recorded_s=self._deck.length_s(self._t_s),
                lost=0 if tape is None else tape.lost,
                unseen=self._analyst.lost,
                tape_says=self._deck.says,
                note=self._of.note,
                suspicion=self._analyst.latest,
            )

    # The camera's thread -------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._stopped.is_set() and self._is_wanted():
                self._step()
        finally:
            self._stopped.set()
            self._analyst.stop()
            with self._lock:
                if self._camera is not None:
                    self._camera.close()
                    self._camera = None
            self.end_tape()

    def _step(self) -> None:
        camera = self._camera
        try:
            if camera is None:
                camera = self._open()
                with self._lock:
                    self._camera, self._problem, self.watch.problem = camera, "", ""
                    self._offset_s, self._lag_s = self._clock() - self._start_s, float("inf")
                    self._deck.resume(camera.profile)
                    if camera.profile.shape != self._profile.shape:
                        self._profile, self._picture = camera.profile, RisePicture()
                        self._output, self._lookout = OutputLog(), Lookout(camera.profile)
                        self._of = LiveValues(camera.profile)
            frame = camera.read()
        except HotspotError as err:
            self._lose(camera, err)
            return
        self._take(frame)

    def _lose(self, camera: Camera | None, err: HotspotError) -> None:
        """Say what is wrong, let go of the camera, try again in a second."""
        with self._lock:
            self._problem = self.watch.problem = err.sentence
        if isinstance(camera, ReplayCamera) and camera.ended:
            self._stopped.wait(RETRY_S)  # it has been played: the last picture stays
            return
        if camera is not None:
            camera.close()
            self._camera = None
        self._stopped.wait(RETRY_S)

    def _take(self, frame: RawFrame) -> None:
        made = time.time()
        values = self._of.of(frame.counts)
        with self._lock:
            self._t_s = max(self._t_s, frame.t_s + self._offset_s)
            self._lag_s = min(self._lag_s, self._clock() - self._t_s)
            t_s = self._t_s
            self._arrivals.add(frame.counts, now_s=self._clock())
            self._follow_replay(t_s)
            self._values = values
            rise = self._picture.add(values, t_s=t_s) if self._of.is_ready else None
            if self._picture.baseline is not None or self._picture.is_collecting:
                given = frame.counts if self._of.are_counts else values
                self._analyst.frame(given, t_s=t_s)
            self._deck.frame(frame.counts, t_s=t_s)
            sight = self._lookout.look(frame.counts, values=values, rise=rise, at_s=self.now_s())
            ready = self._picture.baseline is not None or not has_celsius(self._profile)
            self.watch.hold = "" if ready else NO_BASELINE
            self.watch.feed(sight)
            if self._output.on and not self._alarm:
                self._alarm = find_alarm(self.bounds, sight)
                if self._alarm and self.stand is not None and not self.is_driven:
                    self.switch(False)
            self._number += 1
            shot = Shot(self._number, made, values, rise, self._picture.top)
        self._publish(shot)

    def now_s(self) -> float:
        """Return the time on the camera's clock, which begins when the camera has opened."""
        if isinstance(self._camera, ReplayCamera):
            return self._t_s
        return max(self._t_s, self._clock() - self._lag_s)

    def _follow_replay(self, t_s: float) -> None:
        if not isinstance(self._camera, ReplayCamera):
            return
        log = self._camera.recording.injection
        if log is not None:
            at = int(np.searchsorted(log.t_s, t_s, side="right")) - 1
            if at >= 0:
                t_s, on = float(log.t_s[at]), bool(log.on[at])
                if self._output.is_news(on):
                    self.note_output(t_s, on=on, volts=None, amps=None)
