"""The desk and a programmable supply: who may begin a run, who may end it, what the alarm says."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest

from hotspot.bench.cameras import CameraChoice, CameraKind
from hotspot.bench.desk import GRACE_S, LiveDesk
from hotspot.bench.live_state import Bounds
from hotspot.bench.supply_run import RunPhase, to_supply_opener
from hotspot.bench.suspicion import Case
from hotspot.errors import InputError
from hotspot.practice.supply_server import LoadedSupply, SupplyServer
from tests.bench.fake_camera import FakeBench, wait_until
from tests.bench.test_supply_run import WORDS, ladder


class Bench:
    """A desk with an open camera, its baseline taken, and a supply on the wire."""

    def __init__(self, desk: LiveDesk, camera: FakeBench, server: SupplyServer) -> None:
        self.desk, self.camera, self.server = desk, camera, server
        self.now_s = 0.0
        self.view = desk.open(
            CameraChoice(CameraKind.USB, "0"), owner="tab", job_id=1, case=Case(), bounds=Bounds()
        )
        wait_until(lambda: self.view.state().rate_hz > 0)
        self.view.take_baseline()
        wait_until(lambda: self.view.state().baseline == "taken")

    def begin(self, who: str = "tab") -> None:
        opener = to_supply_opener(self.view, address=self.server.address, dialect=WORDS)
        self.desk.begin_run(who, ladder(20.0), opener=opener)

    @property
    def phase(self) -> RunPhase | None:
        run = self.desk.run
        return None if run is None else run.state().phase


@pytest.fixture
def loaded() -> LoadedSupply:
    return LoadedSupply(short_ohm=0.05, lead_ohm=0.05)


@pytest.fixture
def ahead_s() -> list[float]:
    """By how much the desk's clock is ahead."""
    return [0.0]


@pytest.fixture
def bench(
    loaded: LoadedSupply, ahead_s: list[float], monkeypatch: pytest.MonkeyPatch
) -> Iterator[Bench]:
    monkeypatch.setattr("hotspot.bench.picture.BASELINE_S", 0.2)
    monkeypatch.setattr("hotspot.bench.live.RETRY_S", 0.3)
    monkeypatch.setattr("hotspot.bench.analyst.Analyst.start", lambda self: None)
    camera = FakeBench()
    desk = LiveDesk(opener=camera.open, clock=lambda: time.monotonic() + ahead_s[0])
    with SupplyServer(loaded) as server:
        yield Bench(desk, camera, server)
        desk.take_over("end")
        desk.close("end")


def test_only_the_owner_begins_a_run_and_anybody_ends_it(bench, loaded) -> None:
    with pytest.raises(InputError, match="no camera watches"):
        bench.begin("another tab")
    bench.begin()
    wait_until(lambda: loaded.on)
    bench.desk.stop_run()
    assert (bench.phase, loaded.on) == (RunPhase.STOPPED, False)
    assert bench.desk.alarm == ""
    bench.desk.forget_run()
    assert bench.desk.run is None


def test_closing_the_camera_ends_the_run_first(bench, loaded) -> None:
    bench.begin()
    wait_until(lambda: loaded.on)
    bench.desk.close("tab")
    assert not loaded.on
    assert bench.desk.view is None
    assert bench.desk.run is None


def test_a_run_that_nobody_watches_is_ended(bench, loaded, ahead_s) -> None:
    with bench.desk.watching("tab", lambda: None):
        bench.begin()
        wait_until(lambda: loaded.on)
        run = bench.desk.run
    ahead_s[0] = GRACE_S + 1.0
    wait_until(lambda: run.state().is_over)
    assert not loaded.on


def test_a_cut_out_is_an_alarm_that_says_why(bench, loaded) -> None:
    bench.begin()
    wait_until(lambda: loaded.on)
    bench.camera.hot = 5000  # 75 °C
    wait_until(lambda: bench.phase is RunPhase.CUT_OUT, 20)
    assert not loaded.on
    assert bench.desk.alarm.startswith("The output was switched off: a pixel shows 7")


def test_a_supply_that_fell_off_the_wire_must_be_switched_off_by_hand(bench, loaded) -> None:
    bench.begin()
    wait_until(lambda: loaded.on)
    loaded.mute = True
    run = bench.desk.run
    assert run is not None
    wait_until(lambda: run.state().is_over, 60)  # each unanswered word takes a second
    assert bench.desk.alarm.startswith("Switch the supply off by hand now.")
    bench.desk.close("tab")
    assert "by hand" in bench.desk.alarm  # closing the camera does not make it go away
    bench.desk.forget_run()
    assert bench.desk.alarm == ""


def test_the_alarm_of_a_supply_worked_by_hand_tells_to_switch_off(bench) -> None:
    bench.view.switch(True)
    bench.camera.hot = 5000
    wait_until(lambda: bench.desk.alarm != "")
    assert bench.desk.alarm.startswith("Switch off now. A pixel shows 7")
