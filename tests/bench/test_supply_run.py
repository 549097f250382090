"""A plan run on a supply beside the live view: followed, logged on the tape, ended with off."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hotspot.bench.analysis_process import LiveAnalysis
from hotspot.bench.cameras import CameraChoice, CameraKind
from hotspot.bench.desk import LiveDesk
from hotspot.bench.live import LiveView
from hotspot.bench.live_state import Bounds
from hotspot.bench.schedule import Schedule, build_ladder, build_pulse_train
from hotspot.bench.supply_run import RunPhase, SupplyRun, to_supply_opener
from hotspot.bench.suspicion import Case
from hotspot.devices.dialect import Dialect
from hotspot.errors import InputError
from hotspot.files.boards import load_board
from hotspot.files.recordings import load_recording
from hotspot.inject.limits import RailCase
from hotspot.inject.plan import plan_injection
from hotspot.practice.supply_server import LoadedSupply, SupplyServer
from tests.bench.fake_camera import FakeBench, wait_until

PLAN = plan_injection(RailCase(0.9, 0.05))
WORDS = Dialect(timeout_s=1.0)


def ladder(length_s: float) -> Schedule:
    schedule = build_ladder(PLAN)
    steps = tuple(replace(step, length_s=length_s) for step in schedule.segments)
    return replace(schedule, segments=steps)


@pytest.fixture
def bench() -> FakeBench:
    return FakeBench()


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hotspot.bench.picture.BASELINE_S", 0.2)
    monkeypatch.setattr("hotspot.bench.live.RETRY_S", 0.3)
    monkeypatch.setattr("hotspot.bench.analyst.Analyst.start", lambda self: None)


@pytest.fixture
def view(bench: FakeBench) -> Iterator[LiveView]:
    desk = LiveDesk(opener=bench.open)
    choice = CameraChoice(CameraKind.USB, "0")
    one = desk.open(choice, owner="tab", job_id=1, case=Case(), bounds=Bounds())
    yield one
    desk.close("tab")


@pytest.fixture
def loaded() -> LoadedSupply:
    return LoadedSupply(short_ohm=0.05, lead_ohm=0.05)


@pytest.fixture
def server(loaded: LoadedSupply) -> Iterator[SupplyServer]:
    with SupplyServer(loaded) as one:
        yield one


def begin(view: LiveView, server: SupplyServer, *, length_s: float = 20.0) -> SupplyRun:
    wait_until(lambda: view.state().rate_hz > 0)
    view.take_baseline()
    wait_until(lambda: view.state().baseline == "taken")
    opener = to_supply_opener(view, address=server.address, dialect=WORDS)
    run = SupplyRun(view, ladder(length_s), opener=opener)
    run.start()
    return run


def test_the_plan_is_followed_and_lands_on_the_tape(view, server, loaded, tmp_path) -> None:
    view.begin_tape(tmp_path / "recording")
    run = begin(view, server, length_s=0.3)
    wait_until(lambda: run.state().is_over, 15)
    state = run.state()
    assert (state.phase, state.reason, state.on) == (RunPhase.COMPLETE, "", False)
    assert state.report is not None
    assert state.report.off_confirmed
    assert state.supply.startswith("PRACTICE")
    assert state.step.startswith(f"{len(PLAN.ladder)}/{len(PLAN.ladder)}: on")
    assert not loaded.on
    view.end_tape()
    log = load_recording(tmp_path / "recording").injection
    assert log is not None
    assert not log.on[-1]
    assert np.nanmax(log.amps[log.on]) == pytest.approx(PLAN.limit_a, rel=0.01)


def test_the_live_analysis_hears_of_every_current(view, server, monkeypatch) -> None:
    heard: list[tuple[object, ...]] = []
    monkeypatch.setattr(view._analyst, "_put", lambda message, **_: heard.append(message))
    run = begin(view, server, length_s=0.3)
    wait_until(lambda: run.state().is_over, 15)
    amps = [m[3]["amps"] for m in heard if m[0] == "switch" and m[1] and "amps" in m[3]]
    assert max(amps) > 5 * min(amps)  # the steps of the ladder, not just on and off
    analysis = LiveAnalysis(1, view.profile, Case())
    for message in heard:
        if message[0] == "switch":
            analysis.take(message)


def test_without_a_baseline_nothing_is_switched_on(view, server, loaded) -> None:
    wait_until(lambda: view.state().rate_hz > 0)
    opener = to_supply_opener(view, address=server.address, dialect=WORDS)
    with pytest.raises(InputError, match="baseline is not taken"):
        SupplyRun(view, ladder(1.0), opener=opener).start()
    assert loaded.heard == []


def test_only_one_run_at_a_time_and_no_new_baseline_meanwhile(view, server, loaded) -> None:
    run = begin(view, server)
    wait_until(lambda: loaded.on)
    again = SupplyRun(view, ladder(1.0), opener=to_supply_opener(view, address="x"))
    with pytest.raises(InputError, match="under way"):
        again.start()
    with pytest.raises(InputError, match="being driven"):
        view.take_baseline()
    run.stop()
    assert (run.state().phase, loaded.on, view.is_driven) == (RunPhase.STOPPED, False, False)
    view.take_baseline()


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (lambda bench, view: setattr(bench, "hot", 4500), "70.0 °C"),
        (lambda bench, view: setattr(bench, "hot", 1500), "too fast"),
        (lambda bench, view: setattr(bench, "plugged", False), "camera: "),
        (lambda bench, view: setattr(bench, "silent", True), "no frame for 1"),
        (lambda bench, view: setattr(bench, "frozen", True), "camera has frozen"),
        (lambda bench, view: view.stop(), "stopped by hand"),
    ],
    ids=["hot", "rise", "unplugged", "silent", "frozen", "closed"],
)
def test_what_the_camera_sees_ends_the_run(bench, view, server, loaded, fault, words) -> None:
    run = begin(view, server)
    wait_until(lambda: loaded.on)
    fault(bench, view)
    wait_until(lambda: run.state().is_over, 10)
    assert not loaded.on
    assert words in run.state().reason.replace("70.1", "70.0"), run.state().reason
    bench.silent = False


def test_a_dead_wire_asks_for_a_hand(view, server, loaded) -> None:
    run = begin(view, server)
    wait_until(lambda: loaded.on)
    server.drop()
    wait_until(lambda: run.state().is_over, 15)
    state = run.state()
    assert (state.phase, state.off_is_unknown) == (RunPhase.FAILED, True)
    assert "by hand" in state.reason


def test_a_recording_or_no_address_guards_nothing(view) -> None:
    with pytest.raises(InputError, match="no address"):
        to_supply_opener(view)
    view.choice = CameraChoice(CameraKind.REPLAY, "somewhere")
    with pytest.raises(InputError, match="does not see the board"):
        to_supply_opener(view, address="TCPIP::x::1::SOCKET")


def test_a_practice_stand_is_driven_by_its_own_supply(tmp_path) -> None:
    board = load_board(Path(__file__).resolve().parents[2] / "sample_frames" / "board")
    desk = LiveDesk()
    view = desk.open(
        CameraChoice(CameraKind.PRACTICE, seed=3),
        owner="tab", job_id=1, case=Case(board=board), bounds=Bounds(),
    )  # fmt: skip
    try:
        wait_until(lambda: view.state().rate_hz > 0)
        view.take_baseline()
        wait_until(lambda: view.state().baseline == "taken", 15)
        view.begin_tape(tmp_path / "recording")
        schedule = build_pulse_train(plan_injection(RailCase(3.3, 0.3), pulse_period_s=1.0),
                                     minutes=2.0 / 60.0)  # fmt: skip
        run = SupplyRun(view, schedule, opener=to_supply_opener(view))
        run.start()
        assert view.is_driven
        wait_until(lambda: run.state().is_over, 20)
        assert (run.state().phase, run.state().reason) == (RunPhase.COMPLETE, "")
        assert view.stand is not None
        assert not view.stand.supply.setting.on
        view.end_tape()
    finally:
        desk.close("tab")
    log = load_recording(tmp_path / "recording").injection
    assert log is not None
    assert np.count_nonzero(np.diff(log.on.astype(int)) == 1) == 2  # two pulses
    assert np.nanmax(log.amps[log.on]) > 0.1


PROGRAM = """
import sys, threading, time
from tests.bench.fake_camera import FakeBench, wait_until
import hotspot.bench.picture as picture
picture.BASELINE_S = 0.2
from hotspot.bench.analyst import Analyst
Analyst.start = lambda self: None
from tests.bench.test_supply_run import *
def work():
    bench = FakeBench()
    view = LiveDesk(opener=bench.open).open(CameraChoice(CameraKind.USB, "0"), owner="tab",
                                            job_id=1, case=Case(), bounds=Bounds())
    class Server:
        address = sys.argv[1]
    begin(view, Server())
threading.Thread(target=work).start()
try:
    time.sleep(30)
except KeyboardInterrupt:
    sys.exit(3)
"""


@pytest.mark.parametrize("number", [signal.SIGINT])
def test_a_program_that_ends_switches_off_first(server, loaded, number) -> None:
    """As a server of pages ends: its main thread returns, other threads are still running."""
    root = str(Path(__file__).resolve().parents[2])
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, server.address],
        env=os.environ | {"PYTHONPATH": root}, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    wait_until(lambda: loaded.on, 30)
    time.sleep(0.3)
    process.send_signal(number)
    _, said = process.communicate(timeout=20)
    assert process.returncode == 3, said
    assert not loaded.on
