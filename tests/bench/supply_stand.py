"""A loopback supply, a camera that shows what a test wants, and a plan to run on them."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from hotspot.bench.cutout import Sight, ThermalWatch
from hotspot.bench.log import InjectionLog
from hotspot.bench.run import RunReport, Timing, run_schedule
from hotspot.bench.schedule import Schedule
from hotspot.bench.session import open_supply
from hotspot.devices.dialect import Dialect
from hotspot.inject.limits import RailCase
from hotspot.inject.plan import plan_injection
from hotspot.practice.supply_server import LoadedSupply, SupplyServer

WORDS = Dialect(
    set_over_volts="VOLT:PROT {volts:.3f}",
    set_over_amps="CURR:PROT {amps:.3f}",
    ask_tripped="VOLT:PROT:TRIP?",
    timeout_s=1.0,  # a busy machine may be late; a real fault is still cut out
)
PLAN = plan_injection(RailCase(0.9, 0.05))


def quick(schedule: Schedule, length_s: float) -> Schedule:
    segments = tuple(replace(segment, length_s=length_s) for segment in schedule.segments)
    return replace(schedule, segments=segments)


class Bench:
    """A loopback supply, a camera that sends what `show` says, and a fault at a set time."""

    def __init__(self, tmp_path: Path, loaded: LoadedSupply) -> None:
        self.loaded = loaded
        self.server = SupplyServer(loaded)
        self.log = tmp_path / "injection.csv"
        self.watch = ThermalWatch()
        self.begin_s = time.monotonic()
        self.show: Callable[[float], Sight | None] = lambda t: Sight(t, 25.0, 0.1)
        self.running = True
        self.camera = threading.Thread(target=self._film, daemon=True)
        self.camera.start()

    def now(self) -> float:
        return time.monotonic() - self.begin_s

    def _film(self) -> None:
        while self.running:
            sight = self.show(self.now())
            if sight is not None:
                self.watch.feed(sight)
            time.sleep(0.02)

    def run(self, schedule: Schedule, **options: object) -> RunReport:
        time.sleep(0.05)  # the first frame
        try:
            with (
                InjectionLog(self.log) as log,
                open_supply(self.server.address, WORDS, schedule=schedule) as supply,
            ):
                return run_schedule(
                    supply,
                    schedule,
                    log=log,
                    watch=self.watch,
                    timing=Timing(self.now),
                    **options,  # type: ignore[arg-type]
                )
        finally:
            self.close()

    def close(self) -> None:
        self.running = False
        self.camera.join()
        self.server.drop()


def read_log(path: Path) -> np.ndarray:
    return np.genfromtxt(path, delimiter=",", names=True)
