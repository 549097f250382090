"""The child of `hotspot.bench.analyst`: frames in on standard input, answers on standard output."""

from __future__ import annotations

import os
import pickle
import sys
import threading
import time
from contextlib import suppress
from dataclasses import replace
from typing import IO, Any

import numpy as np

from hotspot.bench.spoilt import BlinkWatch, count_spoilt
from hotspot.bench.suspicion import Case, Suspicion, to_suspicion
from hotspot.errors import HotspotError, RegistrationError
from hotspot.find import find_gathered
from hotspot.heat.live import LiveHeat
from hotspot.profile import CameraProfile
from hotspot.radiometry import to_celsius
from hotspot.register.from_landmarks import fit_registration
from hotspot.register.registration import Registration

PAUSE_S = 0.7
# Before this much time there is nothing to be said: of the camera, or of the heat once the output
# is on.
LEAST_ON_S = 1.5
# Of the time an answer took, at least this share is left to others before the next: on two cores
# the picture needs one, and evidence does not grow much within a second.
REST_SHARE = 0.5
# Below the pictures in the order of things: a late answer is better than a late frame.
NICENESS = 10


class LiveAnalysis:
    """What is known of one run, from its baseline on."""

    def __init__(self, number: int, profile: CameraProfile, case: Case) -> None:
        self.number = number
        self._profile = profile
        self._heat = LiveHeat(profile)
        self._blinks = BlinkWatch(profile.shape)
        self._first_on_s: float | None = None
        self._first_s: float | None = None
        self._t_s = 0.0
        self.latest = Suspicion()
        self._hold_against(case)

    def _hold_against(self, case: Case) -> None:
        self._case = case
        self._registration: Registration | None = None
        with suppress(RegistrationError):
            self._registration = fit_registration(
                case.landmarks, case.board, shape=(self._profile.height, self._profile.width)
            )

    def take(self, message: tuple[Any, ...]) -> None:
        """Take a frame or a switching."""
        kind = message[0]
        if kind == "frame":
            values = np.array(to_celsius(message[1], self._profile))
            self._heat.add(values, t_s=message[2])
            self._blinks.add(values)
            self._t_s = message[2]
            self._first_s = self._t_s if self._first_s is None else self._first_s
        elif kind == "switch":
            self._heat.switch(message[1], t_s=message[2], **message[3])
            if message[1]:
                self._first_on_s = self._first_on_s or message[2]
        elif kind == "case":
            self._hold_against(message[1])
        elif kind == "pulses":
            self._first_on_s = self._t_s + 5.0

    def answer(self) -> Suspicion | None:
        """Return the answer so far, None while there is nothing to analyse."""
        t_s = self._t_s
        if self._first_s is None or t_s - self._first_s < LEAST_ON_S:
            return None
        gathered = self._heat.snapshot()
        spoilt = count_spoilt(gathered.audit, blinking=self._blinks.found())
        if self._first_on_s is None or t_s - self._first_on_s < LEAST_ON_S:
            # What the camera gives can be said of the cold board already.
            self.latest = replace(self.latest, spoilt=spoilt)
            return self.latest
        try:
            finding = find_gathered(
                gathered,
                board=self._case.board,
                rail=self._case.rail,
                registration=self._registration,
                history=self._case.history,
            )
        except HotspotError as err:
            self.latest = Suspicion(history=self.latest.history, note=err.sentence, spoilt=spoilt)
        else:
            answer = to_suspicion(finding, t_s=t_s, before=self.latest)
            self.latest = replace(answer, spoilt=spoilt)
        return self.latest


def main() -> None:
    """Answer until standard input ends."""
    answers: IO[bytes] = sys.stdout.buffer
    sys.stdout = sys.stderr  # whatever prints must not end up among the answers
    with suppress(OSError, AttributeError):
        os.nice(NICENESS)
    present: list[LiveAnalysis] = []

    def read() -> None:
        while True:
            try:
                message = pickle.load(sys.stdin.buffer)
            except (EOFError, OSError, pickle.UnpicklingError):
                os._exit(0)  # the parent has gone
            if message[0] == "begin":
                present[:] = [LiveAnalysis(*message[1:])]
            elif message[0] == "rest":
                present.clear()
            elif present:
                present[0].take(message)

    threading.Thread(target=read, daemon=True).start()
    while True:
        begun = time.monotonic()
        run = present[0] if present else None
        answer = None if run is None else run.answer()
        if run is not None and answer is not None:
            pickle.dump((run.number, answer), answers, protocol=5)
            answers.flush()
        took_s = time.monotonic() - begun
        time.sleep(max(0.1, PAUSE_S - took_s, REST_SHARE * took_s))


if __name__ == "__main__":
    main()
