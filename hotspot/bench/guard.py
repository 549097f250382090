"""A camera as the guard of a run: each frame goes to the cut-out and, if wanted, onto a tape."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import numpy as np

from hotspot.bench.cutout import ThermalWatch
from hotspot.bench.picture import RisePicture
from hotspot.bench.sight import Lookout
from hotspot.bench.tape import Tape
from hotspot.devices.camera import Camera
from hotspot.devices.supply import Readback
from hotspot.errors import HotspotError
from hotspot.frame import RawFrame
from hotspot.radiometry import has_celsius, to_celsius

NO_BASELINE = "the cold baseline is not taken yet"


class CameraGuard:
    """Reads a camera in a thread of its own and feeds a `ThermalWatch`.

    The cold baseline begins with the first frame: the board must be at rest and the output off.
    Until it is taken the watch holds the output back.

    Parameters
    ----------
    camera
        Open; closed by the guard at the end.
    clock
        Time in s.
    """

    def __init__(self, camera: Camera, *, clock: Callable[[], float] = time.monotonic) -> None:
        self.watch = ThermalWatch()
        self._camera = camera
        self._profile = camera.profile
        self._clock = clock
        self._lookout = Lookout(self._profile)
        self._picture = RisePicture()
        self._picture.begin_baseline(0.0)
        self._first_s: float | None = None
        self._zero_s = float("inf")
        self._stopped = threading.Event()
        self._arrived = threading.Event()
        self.tape: Tape | None = None
        self.n_frames = 0
        if self.measures:
            self.watch.hold = NO_BASELINE
        self._thread = threading.Thread(target=self._run, name="guard", daemon=True)

    @property
    def measures(self) -> bool:
        """Whether the camera knows temperatures; if not, only missing frames are noticed."""
        return has_celsius(self._profile)

    def now(self) -> float:
        """Return the time on the run's clock, whose zero is the first frame."""
        return 0.0 if self._first_s is None else self._clock() - self._zero_s

    def start(self, *, within_s: float = 5.0) -> None:
        """Begin to read, and wait for the first frame.

        Raises
        ------
        HotspotError
            If the camera gives none in time.
        """
        self._thread.start()
        if not self._arrived.wait(within_s) or self._first_s is None:
            self.stop()
            raise HotspotError(
                self.watch.problem or f"gives no picture within {within_s:g} s",
                where="camera",
                cure="Check it without a supply first: the output has not been switched on",
            )

    def take(self, frame: RawFrame) -> None:
        """Take one frame; the guard's own thread does this, or whoever holds the clock."""
        if self._first_s is None:
            self._first_s = frame.t_s
        t_s = frame.t_s - self._first_s
        # Frames carry the time they were taken; the one that came through fastest tells it best.
        self._zero_s = min(self._zero_s, self._clock() - t_s)
        values = to_celsius(frame.counts, self._profile)
        if not np.isfinite(values.sum()):  # holes would blind everything that averages
            values = np.nan_to_num(values, nan=float(np.nanmedian(values)))
        rise = self._picture.add(values, t_s=t_s)
        if rise is not None:
            self.watch.hold = ""
        self.watch.feed(self._lookout.look(frame.counts, values=values, rise=rise, at_s=self.now()))
        if self.tape is not None:
            self.tape.frame(frame.counts, t_s=t_s)
        self.n_frames += 1
        self._arrived.set()

    def stop(self) -> None:
        """Let go of the camera."""
        self._stopped.set()
        if self._thread.is_alive():
            self._thread.join(timeout=5)

    def _run(self) -> None:
        try:
            self._camera.read()  # it may have waited since the camera was opened
            while not self._stopped.is_set():
                self.take(self._camera.read())
        except HotspotError as err:
            self.watch.problem = err.sentence
        except Exception as err:
            self.watch.problem = f"reading failed: {err!r}"
        finally:
            self._arrived.set()
            self._camera.close()


class TapeLog:
    """The injection log of a run that is written onto a tape."""

    def __init__(self, tape: Tape) -> None:
        self._tape = tape

    def add(self, t_s: float, *, on: bool, read: Readback | None = None) -> None:
        """Write one line."""
        volts, amps = (None, None) if read is None else (read.volts, read.amps)
        self._tape.switch(t_s, on=on, volts=volts, amps=amps)
