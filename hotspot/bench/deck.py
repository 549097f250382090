"""The recording of a live view: begun and ended from the page, fed by the camera's thread."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from hotspot.bench.suspicion import Case
from hotspot.bench.tape import Tape
from hotspot.errors import HotspotError
from hotspot.profile import CameraProfile


class Deck:
    """At most one tape, and what became of the last one.

    Attributes
    ----------
    tape
        The tape being written; None: none.
    """

    def __init__(self) -> None:
        self.tape: Tape | None = None
        self._from_s = 0.0
        self._says = ""

    def begin(self, tape: Tape, *, at_s: float, on: bool | None) -> None:
        """Write onto `tape` from now on; `on` is the output's state, None when not known."""
        self.tape, self._from_s, self._says = tape, at_s, ""
        if on is not None:
            tape.switch(0.0, on=on, volts=None, amps=None)

    def frame(self, counts: NDArray[Any], *, t_s: float) -> None:
        """Write one frame."""
        if self.tape is not None:
            self.tape.frame(counts, t_s=t_s - self._from_s)

    def switch(self, t_s: float, *, on: bool, volts: float | None, amps: float | None) -> None:
        """Write one line of the injection log."""
        if self.tape is not None:
            self.tape.switch(t_s - self._from_s, on=on, volts=volts, amps=amps)

    def resume(self, profile: CameraProfile) -> None:
        """Note that the camera was away."""
        if self.tape is not None:
            self.tape.resume(profile)

    def set_case(self, case: Case) -> None:
        """Keep other landmarks with the recording: what is saved is what was watched."""
        if self.tape is not None:
            self.tape.set_landmarks(case.landmarks)

    def eject(self) -> Tape | None:
        """Write no more; return the tape to be closed."""
        tape, self.tape = self.tape, None
        return tape

    def close(self, tape: Tape) -> Path | None:
        """Close an ejected tape; return its folder, None when nothing was recorded."""
        try:
            tape.close()
        except HotspotError as err:  # said in the state; what was written is worth keeping
            self._says = err.sentence
        return tape.folder if tape.n_frames else None

    @property
    def says(self) -> str:
        """What the technician should know of the disk, one sentence."""
        return self._says if self.tape is None else self.tape.says

    def length_s(self, t_s: float) -> float:
        """Return how long the tape is; 0 without one."""
        return 0.0 if self.tape is None else t_s - self._from_s
