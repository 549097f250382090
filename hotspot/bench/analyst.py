"""The analysis beside the live picture, in a process of its own: it never holds a frame up.

The parent writes frames and switchings, the child (`hotspot.bench.analysis_process`) answers with a
`Suspicion` about once a second. Both ends are this program; nothing else is ever unpickled.
"""

from __future__ import annotations

import os
import pickle
import queue
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import hotspot
from hotspot.bench.suspicion import Case, Suspicion
from hotspot.profile import CameraProfile

# A child that starts up or thinks is seconds behind. Frames that get lost meanwhile are mostly
# those of the cold board, and an answer without them is another one than the recording's; so the
# queue holds 20 s of 256 x 192 counts at 30 Hz, and always some seconds of larger pictures.
QUEUE_BYTES, QUEUE_FRAMES = 64_000_000, 120


class Analyst:
    """Sends what happens to the analysis and keeps its latest answer.

    Attributes
    ----------
    lost
        Frames that the analysis did not get since it last began.
    """

    def __init__(self) -> None:
        self._messages: queue.SimpleQueue[tuple[Any, ...] | None] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._latest = Suspicion()
        self._run = 0
        self._rests = False
        self._child: subprocess.Popen[bytes] | None = None
        self.lost = 0

    def start(self) -> None:
        """Start the process."""
        package = str(Path(hotspot.__file__).resolve().parents[1])
        path = os.pathsep.join(p for p in (package, os.environ.get("PYTHONPATH", "")) if p)
        # One thread for its linear algebra: the other core is the picture's.
        settings = {"PYTHONPATH": path, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        self._child = subprocess.Popen(
            [sys.executable, "-m", "hotspot.bench.analysis_process"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, **settings},
        )
        for target in (self._write, self._read):
            threading.Thread(target=target, name="analysis", daemon=True).start()

    @property
    def latest(self) -> Suspicion:
        """The answer so far."""
        with self._lock:
            return self._latest

    def begin(self, profile: CameraProfile, *, case: Case) -> None:
        """Begin anew: another baseline."""
        with self._lock:
            self._run += 1
            self._latest = Suspicion()
        self.lost, self._rests = 0, False
        self._put(("begin", self._run, profile, case))

    def set_case(self, case: Case) -> None:
        """Hold the same frames against something else."""
        self._put(("case", case))

    def frame(self, counts: NDArray[Any], *, t_s: float) -> None:
        """Hand over one frame, counts or values; it is lost when the analysis is far behind."""
        if not self._rests:
            self._put(("frame", np.asarray(counts), t_s), is_frame=True)

    def switch(
        self, on: bool, *, t_s: float, volts: float | None = None, amps: float | None = None
    ) -> None:
        """Hand over a switching of the output, or a reading while it stays as it is."""
        known = {k: v for k, v in (("volts", volts), ("amps", amps)) if v is not None}
        self._put(("switch", on, t_s, known))

    def rest(self) -> None:
        """Analyse no more until the next baseline; the answer so far stays."""
        self._rests = True
        self._put(("rest",))

    def expect_pulses(self) -> None:
        """Say that the output is switched by hand without a log: find the times in the frames."""
        self._put(("pulses",))

    def stop(self) -> None:
        """End the process."""
        child = self._child
        if child is None:
            return
        child.terminate()
        try:
            child.wait(timeout=5)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
        self._put(None)

    def _put(self, message: tuple[Any, ...] | None, *, is_frame: bool = False) -> None:
        # Only frames may get lost, and nothing may wait: a run of the supply hangs on the caller.
        if is_frame and message is not None:
            most = max(QUEUE_FRAMES, QUEUE_BYTES // max(message[1].nbytes, 1))
            if self._messages.qsize() >= most:
                self.lost += 1
                return
        self._messages.put(message)

    def _write(self) -> None:
        child = self._child
        if child is None or child.stdin is None:
            return
        try:
            with child.stdin as pipe:
                while (message := self._messages.get()) is not None:
                    pickle.dump(message, pipe, protocol=5)
                    pipe.flush()
        except (OSError, ValueError):
            return  # the child has gone: `_read` says so

    def _read(self) -> None:
        child = self._child
        if child is None or child.stdout is None:
            return
        with child.stdout as pipe:
            while True:
                try:
                    run, answer = pickle.load(pipe)
                except (EOFError, OSError, pickle.UnpicklingError):
                    break
                with self._lock:
                    if run == self._run:
                        self._latest = answer
        with self._lock:
            self._latest = Suspicion(note="The live analysis has ended; saved evidence is complete")
