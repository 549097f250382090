"""Who has the camera: one owner at a time, any number of viewers, release when nobody looks."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from hotspot.bench.cameras import CameraChoice, open_camera
from hotspot.bench.live import LiveView
from hotspot.bench.live_state import Bounds
from hotspot.bench.picture import Shot
from hotspot.bench.schedule import Schedule
from hotspot.bench.supply_run import RunPhase, SupplyOpener, SupplyRun
from hotspot.bench.suspicion import Case
from hotspot.devices.camera import Camera
from hotspot.errors import CameraError, InputError
from hotspot.profile import CameraProfile

# Time to look at another page and come back; after that a camera nobody looks at is released, and a
# supply that nobody watches is switched off.
GRACE_S = 30.0
# A recording is not cut short by a closed tab, but it does not run for ever either.
LONGEST_TAPE_S = 900.0


class LiveDesk:
    """One camera for the whole bench.

    Parameters
    ----------
    clock
        Time in s.
    opener
        How cameras are opened.
    """

    def __init__(
        self,
        *,
        clock: Callable[[], float] = time.monotonic,
        opener: Callable[..., Camera] = open_camera,
    ) -> None:
        self._clock, self._opener = clock, opener
        self._lock = threading.RLock()
        self._view: LiveView | None = None
        self._run: SupplyRun | None = None
        self._owner = ""
        self._job_id: int | None = None
        self._newest: Shot | None = None
        self._listeners: set[Callable[[], None]] = set()
        self._viewers: list[str] = []
        self._seen_s = clock()

    @property
    def view(self) -> LiveView | None:
        """The open camera, None when there is none."""
        with self._lock:
            return self._view if self._view is not None and self._view.is_open else None

    @property
    def run(self) -> SupplyRun | None:
        """The run of a supply beside the open camera, under way or the last one."""
        return self._run

    @property
    def alarm(self) -> str:
        """What must be known or done at once, one sentence; empty when all is well."""
        view = self.view
        state = None if self._run is None else self._run.state()
        if state is not None and state.off_is_unknown:
            return f"Switch the supply off by hand now. {state.reason}"
        if state is not None and state.phase in (RunPhase.CUT_OUT, RunPhase.FAILED):
            return f"The output was switched off: {state.reason}"
        if view is None or not view.state().alarm:
            return ""
        done = view.is_driven or view.stand is not None
        return (
            "The output was switched off. " if done else "Switch off now. "
        ) + view.state().alarm

    @property
    def job_id(self) -> int | None:
        """The job that the camera was opened for."""
        return self._job_id if self.view is not None else None

    @property
    def viewers(self) -> int:
        """How many pages show the picture."""
        return len(self._viewers)

    @property
    def is_owner_looking(self) -> bool:
        """Whether a page of the owner shows the picture; a reloaded page has another name."""
        return self._owner in self._viewers

    @property
    def newest(self) -> Shot | None:
        """The newest picture; never a queue."""
        return self._newest

    def is_owner(self, who: str) -> bool:
        """Return whether `who` has the camera."""
        return self.view is not None and self._owner == who

    def open(
        self,
        choice: CameraChoice,
        *,
        owner: str,
        job_id: int | None,
        case: Case,
        bounds: Bounds,
        profile: CameraProfile | None = None,
    ) -> LiveView:
        """Open a camera for `owner`.

        Raises
        ------
        CameraError
            If another has a camera open, or it cannot be opened.
        """
        with self._lock:
            if self.view is not None and self._owner != owner:
                raise CameraError(
                    "is in use in another tab", where="camera", cure="Close it there, or take over"
                )
            self._close()
            view = LiveView(
                choice,
                case=case,
                bounds=bounds,
                publish=self._publish,
                is_wanted=self._is_wanted,
                profile=profile,
                opener=self._opener,
                clock=self._clock,
            )
            self._view, self._owner, self._job_id = view, owner, job_id
            self._seen_s = self._clock()
            view.start()
            return view

    def begin_run(self, who: str, schedule: Schedule, *, opener: SupplyOpener) -> None:
        """Run a schedule on a supply, guarded by the open camera.

        Raises
        ------
        InputError
            If `who` has no camera open, a run is under way, or the cold baseline is missing.
        """
        with self._lock:
            view = self.view
            if view is None or self._owner != who:
                raise InputError("no camera watches", where="supply", cure="Open one in this tab")
            run = SupplyRun(view, schedule, opener=opener)
            run.start()
            self._run = run

    def stop_run(self) -> None:
        """End a run with the output off, whoever asks."""
        if self._run is not None:
            self._run.stop()

    def forget_run(self) -> None:
        """Take a run that is over, and its alarm, off the screen."""
        if self._run is not None and self._run.state().is_over:
            self._run = None

    def take_over(self, who: str) -> None:
        """Make `who` the owner of the open camera."""
        with self._lock:
            self._owner = who

    def close(self, who: str) -> None:
        """Release the camera if `who` has it."""
        with self._lock:
            if self._owner == who:
                self._close()

    @contextmanager
    def watching(self, who: str, wake: Callable[[], None]) -> Iterator[None]:
        """Count as a viewer; `wake` is called, in the camera's thread, for each picture."""
        with self._lock:
            self._viewers.append(who)
            self._listeners.add(wake)
        try:
            yield
        finally:
            with self._lock:
                self._viewers.remove(who)
                self._seen_s = self._clock()
                self._listeners.discard(wake)

    def _close(self) -> None:
        self.stop_run()
        view, self._view = self._view, None
        if self._run is not None and not self._run.state().off_is_unknown:
            self._run = None
        self._owner, self._job_id, self._newest = "", None, None
        if view is not None:
            view.stop()

    def _publish(self, shot: Shot) -> None:
        self._newest = shot
        for wake in list(self._listeners):
            wake()

    def _is_wanted(self) -> bool:
        if self._viewers:
            return True
        alone_s = self._clock() - self._seen_s
        if self._run is not None and alone_s >= GRACE_S:
            self._run.stop(within_s=0.0)  # an energised board is not left alone
        view = self._view
        taping = view is not None and view.is_taping
        return alone_s < (LONGEST_TAPE_S if taping else GRACE_S)
