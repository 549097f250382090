"""How fast every fault switches the simulated output off: ``python -m tests.benchmarks.cutout``.

A supply with a shorted board on it answers SCPI on a loopback socket, a camera films at 200 Hz, and
a plan runs as ``hotspot supply run`` runs it. One fault at a time is struck while the output is on.
Printed: milliseconds from the fault to the moment the simulated output really went off (read off
the simulator, not from the program), whether the program had it confirmed by read-back, and what it
said. Faults that no program can mend are listed with what remains: they must end with "output state
unknown", the supply's own timer, or the next connection. The exit code is 1 if an output stays on
that should not.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from hotspot.bench import guarded_run, picture
from hotspot.bench.check import check_supply
from hotspot.bench.guarded_run import Keeping, Protocol, run_guarded
from hotspot.bench.schedule import build_ladder
from hotspot.bench.session import open_supply
from hotspot.devices.dialect import Dialect
from hotspot.errors import HotspotError
from hotspot.inject.limits import RailCase
from hotspot.inject.plan import plan_injection
from hotspot.inject.report import plan_to_dict
from hotspot.practice.supply_server import LoadedSupply, SupplyServer
from tests.bench.fake_camera import FakeBench, wait_until

PLAN = plan_injection(RailCase(0.9, 0.05))
WORDS = Dialect(
    set_over_volts="VOLT:PROT {volts:.3f}",
    set_over_amps="CURR:PROT {amps:.3f}",
    ask_tripped="VOLT:PROT:TRIP?",
)
TIMER = 'set_timer = "OUTP:TIM {seconds:.1f}"\n'


@dataclass
class Stand:
    """One run with a fault."""

    loaded: LoadedSupply = field(default_factory=lambda: LoadedSupply(lead_ohm=0.05))
    camera: FakeBench = field(default_factory=FakeBench)
    server: SupplyServer | None = None
    struck_s: float = 0.0
    raising: bool = False

    def after(self, seconds: float, **changes: object) -> None:
        """Mend the supply after a while."""

        def mend() -> None:
            for name, value in changes.items():
                setattr(self.loaded, name, value)

        threading.Timer(seconds, mend).start()


def supply_sets(**changes: object) -> Callable[[Stand], None]:
    def strike(stand: Stand) -> None:
        for name, value in changes.items():
            setattr(stand.loaded, name, value)

    return strike


def camera_sets(**changes: object) -> Callable[[Stand], None]:
    def strike(stand: Stand) -> None:
        for name, value in changes.items():
            setattr(stand.camera, name, value)

    return strike


def strike_mute(stand: Stand) -> None:
    stand.loaded.mute = True
    stand.after(0.7, mute=False)


def strike_garbage(stand: Stand) -> None:
    stand.loaded.garbage = True
    stand.after(0.2, garbage=False)


def strike_slow_and_hot(stand: Stand) -> None:
    stand.loaded.delay_s = 0.3
    stand.camera.hot = 4500


def strike_link(stand: Stand) -> None:
    assert stand.server is not None
    stand.server.drop(refuse=False)


def strike_dead(stand: Stand) -> None:
    assert stand.server is not None
    stand.server.drop()


def strike_stuck(stand: Stand) -> None:
    stand.loaded.stuck_on = True
    stand.camera.hot = 4500


def strike_raise(stand: Stand) -> None:
    stand.raising = True


# name, what strikes, whether the output can be off at the end
FAULTS: tuple[tuple[str, Callable[[Stand], None], bool], ...] = (
    ("camera: a pixel above the plan's temperature", camera_sets(hot=4500), True),
    ("camera: rise faster than predicted", camera_sets(hot=2500), True),
    ("camera: frames stop (limit 1 s)", camera_sets(silent=True), True),
    ("camera: unplugged", camera_sets(plugged=False), True),
    ("camera: the same picture (limit 3 s)", camera_sets(frozen=True), True),
    ("supply: current beyond its limit", supply_sets(extra_a=0.3), True),
    ("supply: voltage beyond, rail open", supply_sets(extra_v=0.2, short_ohm=float("inf")), True),
    ("supply: its own protection trips", supply_sets(extra_v=3.0, short_ohm=float("inf")), True),
    ("supply: off by itself", supply_sets(on=False), True),
    ("supply: silent for 0.7 s", strike_mute, True),
    ("supply: answers nonsense for 0.2 s", strike_garbage, True),
    ("supply: answers 0.3 s late, and too hot", strike_slow_and_hot, True),
    ("link: breaks, can be opened again", strike_link, True),
    ("link: dead for good", strike_dead, False),
    ("supply: ignores off, as a part gets hot", strike_stuck, False),
    ("program: an exception of its own", strike_raise, True),
)  # fmt: skip


def run_fault(strike: Callable[[Stand], None]) -> tuple[Stand, str, bool]:
    """Run a plan, strike, return the stand, what was said, and whether off was confirmed."""
    stand = Stand()
    schedule = build_ladder(PLAN)
    schedule = replace(
        schedule, segments=(replace(schedule.segments[-1], length_s=8.0),)
    )  # fmt: skip

    def show(_t: float, _read: object, _sight: object) -> None:
        if stand.raising:
            stand.raising = False
            raise RuntimeError("a defect of our own")

    def strike_when_on() -> None:
        wait_until(lambda: stand.loaded.on, 20)
        time.sleep(0.8)
        stand.struck_s = time.monotonic()
        strike(stand)

    with SupplyServer(stand.loaded) as server, tempfile.TemporaryDirectory() as folder:
        stand.server = server
        thread = threading.Thread(target=strike_when_on)
        thread.start()
        said, confirmed = "", False
        try:
            with open_supply(server.address, WORDS, schedule=schedule) as supply:
                report = run_guarded(
                    supply,
                    schedule,
                    camera=stand.camera.open(),
                    keep=Keeping(log=Path(folder) / "log.csv"),
                    protocol=Protocol(cold_s=0.4, after_s=0.0, show=show),
                )
            said, confirmed = report.run.reason, report.run.off_confirmed
        except HotspotError as err:
            said = err.sentence
        except RuntimeError as err:
            said, confirmed = repr(err), not stand.loaded.on
        stand.camera.silent = False
        thread.join()
    return stand, said, confirmed


def off_after_ms(stand: Stand) -> float | None:
    """Return when the simulated output went off for good, from the fault; None while it is on."""
    if stand.loaded.on:
        return None
    offs = [when for when, on in stand.loaded.switched if not on and when >= stand.struck_s]
    return 1e3 * (offs[0] - stand.struck_s) if offs else 0.0


def run_signal(number: int, *, timer: bool = False) -> tuple[LoadedSupply, float, str]:
    """Run the command in a process of its own, send a signal while the output is on."""
    loaded = LoadedSupply(lead_ohm=0.05)
    data = plan_to_dict(PLAN)
    data["ladder"] = data["ladder"][-1:]
    data["ladder"][0]["hold_s"] = 2.0 if timer else 20.0
    with SupplyServer(loaded) as server, tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "plan.json").write_text(json.dumps(data))
        (folder / "words.toml").write_text(TIMER if timer else "")
        process = subprocess.Popen(
            [sys.executable, "-m", "hotspot", "supply", "run", server.address, "--no-camera",
             "--plan", str(folder / "plan.json"), "--log", str(folder / "log.csv"),
             "--dialect", str(folder / "words.toml")],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=dict(os.environ),
        )  # fmt: skip
        wait_until(lambda: loaded.on, 30)
        time.sleep(0.5)
        sent_s = time.monotonic()
        process.send_signal(number)
        said = process.communicate(timeout=30)[0].strip().splitlines()[-1:]
        if number == signal.SIGKILL and timer:
            wait_until(lambda: loaded.output()[1] == 0.0 and not loaded.on, 30)
        elif number == signal.SIGKILL:
            volts, amps = loaded.output()
            watts = min(x.value for x in PLAN.limits if x.quantity == "watts")
            said = [f"still on: {volts * amps:.3g} W of the {watts:.3g} W that the plan allows"]
            if not loaded.on or volts * amps > watts:
                said = ["NOT BOUNDED"]
            check_supply(server.address, dialect=Dialect())
    return loaded, sent_s, (said or [""])[0]


def print_row(name: str, ms: float | None, confirmed: str, said: str) -> None:
    when = "stays on" if ms is None else f"{ms:.0f}"
    print(f"{name:46s} {when:>9s}  {confirmed:9s}  {said[:110]}", flush=True)


def main() -> int:
    picture.BASELINE_S = 0.2  # type: ignore[misc]
    guarded_run.LEAST_COLD_S = 0.3  # type: ignore[misc]
    bad = 0
    print(f"{'fault':46s} {'off, ms':>9s}  {'read back':9s}  said")
    for name, strike, can_be_off in FAULTS:
        stand, said, confirmed = run_fault(strike)
        ms = off_after_ms(stand)
        print_row(name, ms, "yes" if confirmed else "no", said)
        if can_be_off:
            bad += ms is None or not confirmed
        else:
            bad += "output state unknown" not in said
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT, signal.SIGTSTP):
        loaded, sent_s, said = run_signal(number)
        ms = None if loaded.on else 1e3 * (loaded.switched[-1][0] - sent_s)
        print_row(f"program: {number.name}", ms, "yes", said)
        bad += ms is None or "confirmed" not in said
    loaded, sent_s, said = run_signal(signal.SIGKILL)
    ms = None if loaded.on else 1e3 * (loaded.switched[-1][0] - sent_s)
    print_row("program: killed outright; next connection", ms, "yes", said)
    bad += ms is None or said == "NOT BOUNDED"
    loaded, sent_s, said = run_signal(signal.SIGKILL, timer=True)
    ms = None if loaded.on else 1e3 * (loaded.switched[-1][0] - sent_s)
    print_row("program: killed outright; the supply's timer", ms, "-", "2 s run, timer 12 s")
    bad += ms is None
    print(f"\n{bad} outputs on that should be off, or not said to be unknown")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
