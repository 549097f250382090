"""A bench supply with a shorted board on it, answering SCPI on a loopback socket.

For practice without hardware and for tests: constant voltage and constant current, meter noise,
its own protections, and the faults that real wires and boards have.
"""

from __future__ import annotations

import contextlib
import math
import re
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType

import numpy as np


@dataclass(slots=True)
class LoadedSupply:
    """A supply and what hangs on it.

    Attributes
    ----------
    max_v, max_a
        Range; a set point beyond it is refused with error -222.
    lead_ohm, short_ohm
        Load; an infinite short is an open rail.
    burn_open_w, burn_open_s
        The short burns open after this time at or above this power; None: never.
    noise_v, noise_a
        Standard deviation of the meter.
    clock
        Time in s.
    rng
        Source of the meter noise.
    delay_s, mute, garbage
        Faults: every answer is late; no answer; answers are nonsense.
    stuck_on
        Fault: output off is acknowledged and ignored.
    extra_v, extra_a
        Fault: the output delivers this much beyond the set point.
    foreign_v
        Fault: another source on the board holds the terminals at this voltage.
    """

    max_v: float = 30.0
    max_a: float = 3.0
    lead_ohm: float = 0.06
    short_ohm: float = 0.05
    burn_open_w: float | None = None
    burn_open_s: float = 0.5
    noise_v: float = 0.0005
    noise_a: float = 0.0005
    clock: Callable[[], float] = time.monotonic
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(1))
    delay_s: float = 0.0
    mute: bool = False
    garbage: bool = False
    stuck_on: bool = False
    extra_v: float = 0.0
    extra_a: float = 0.0
    foreign_v: float = 0.0
    set_v: float = 0.0
    set_a: float = 0.1
    on: bool = False
    over_v: float = math.inf
    over_a: float = math.inf
    tripped: bool = False
    off_at_s: float | None = None
    switched: list[tuple[float, bool]] = field(default_factory=list)
    heard: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    timer_s: float | None = None
    _hot_since_s: float | None = None

    def output(self) -> tuple[float, float]:
        """Return volts and amps at the terminals now, after trips, timer and burning open."""
        now = self.clock()
        if self.on and self.off_at_s is not None and now >= self.off_at_s:
            self._switch(False)
        volts, amps = self._solve()
        if self.on and self.burn_open_w is not None:
            hot = amps * amps * self.short_ohm >= self.burn_open_w if amps else False
            self._hot_since_s = (self._hot_since_s or now) if hot else None
            if self._hot_since_s is not None and now - self._hot_since_s >= self.burn_open_s:
                self.short_ohm = math.inf
                volts, amps = self._solve()
        if self.on and (volts > self.over_v or amps > self.over_a):
            self._switch(False)
            self.tripped = True
            volts, amps = 0.0, 0.0
        return volts, amps

    def answer(self, line: str) -> str | None:
        """Return the answer to one line, None when there is none."""
        self.heard.append(line.strip())
        word = line.strip().upper()
        if word.endswith("?"):
            return self._ask(word)
        match = re.fullmatch(r"([A-Z:]+) (\S+)", word)
        if match is None or not self._obey(match[1], match[2]):
            self.errors.append('-113,"Undefined header"')
        return None

    def _solve(self) -> tuple[float, float]:
        if not self.on:
            return self.foreign_v, 0.0
        set_v, set_a = self.set_v + self.extra_v, self.set_a + self.extra_a
        total_ohm = self.lead_ohm + self.short_ohm
        if math.isinf(total_ohm):
            return set_v, 0.0
        amps = min(set_a, set_v / total_ohm) if total_ohm > 0 else set_a
        return amps * total_ohm, amps

    def _ask(self, word: str) -> str | None:
        volts, amps = self.output()
        noisy_v = volts + self.noise_v * self.rng.standard_normal()
        noisy_a = amps + self.noise_a * self.rng.standard_normal()
        answers = {
            "*IDN?": "PRACTICE,LOADED SUPPLY,0,1",
            "VOLT?": f"{self.set_v:.3f}",
            "CURR?": f"{self.set_a:.3f}",
            "OUTP?": str(int(self.on)),
            "MEAS:VOLT?": f"{noisy_v:.4f}",
            "MEAS:CURR?": f"{noisy_a:.4f}",
            "VOLT:PROT:TRIP?": str(int(self.tripped)),
        }
        if word == "SYST:ERR?":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        if word not in answers:
            self.errors.append('-113,"Undefined header"')
        return answers.get(word)

    def _obey(self, word: str, value: str) -> bool:
        if word == "OUTP":
            if value not in ("0", "1", "ON", "OFF"):
                return False
            if not (self.stuck_on and value in ("0", "OFF")):
                self._switch(value in ("1", "ON"))
            return True
        try:
            number = float(value)
        except ValueError:
            return False
        bounds = {"VOLT": self.max_v, "CURR": self.max_a}
        if word in bounds and not 0.0 <= number <= bounds[word]:
            self.errors.append('-222,"Data out of range"')
        elif word == "VOLT":
            self.set_v = number
        elif word == "CURR":
            self.set_a = number
        elif word == "VOLT:PROT":
            self.over_v = number
        elif word == "CURR:PROT":
            self.over_a = number
        elif word == "OUTP:TIM":
            self.timer_s = number
        else:
            return False
        return True

    def _switch(self, on: bool) -> None:
        now = self.clock()
        if on is not self.on:
            self.switched.append((now, on))
        self.on, self.tripped = on, False if on else self.tripped
        self.off_at_s = now + self.timer_s if on and self.timer_s is not None else None


class SupplyServer:
    """The supply behind a loopback TCP socket; use it as a context manager.

    Parameters
    ----------
    supply
        What answers.
    port
        0 takes a free one.
    """

    def __init__(self, supply: LoadedSupply, *, port: int = 0) -> None:
        self.supply = supply
        self._socket = socket.create_server(("127.0.0.1", port))
        self._socket.settimeout(0.1)
        self._clients: list[socket.socket] = []
        self._running = True
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    @property
    def address(self) -> str:
        """VISA resource name."""
        return f"TCPIP::127.0.0.1::{self._socket.getsockname()[1]}::SOCKET"

    def drop(self, *, refuse: bool = True) -> None:
        """Cut all connections; with `refuse` no new one is taken either."""
        if refuse:
            self._running = False
            self._thread.join()
            self._socket.close()
        with self._lock:
            for client in self._clients:
                with contextlib.suppress(OSError):
                    client.shutdown(socket.SHUT_RDWR)
                client.close()
            self._clients.clear()

    def __enter__(self) -> SupplyServer:
        """Return the running server."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop it."""
        self.drop()

    def _accept(self) -> None:
        while self._running:
            try:
                client, _ = self._socket.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            client.settimeout(None)
            with self._lock:
                self._clients.append(client)
            threading.Thread(target=self._serve, args=(client,), daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        supply = self.supply
        with contextlib.suppress(OSError, ValueError), client.makefile("rwb") as stream:
            for raw in stream:
                with self._lock:
                    answer = supply.answer(raw.decode("ascii", "replace"))
                if supply.delay_s:
                    time.sleep(supply.delay_s)
                if answer is None or supply.mute:
                    continue
                text = "\x7f##~" if supply.garbage else answer
                stream.write(text.encode("ascii") + b"\n")
                stream.flush()
