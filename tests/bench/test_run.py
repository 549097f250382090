"""A run on a loopback supply: the plan is followed, and every listed fault switches it off."""

from __future__ import annotations

import json
import threading
import time
from dataclasses import replace

import numpy as np
import pytest

from hotspot.bench.cutout import Sight, find_camera_fault
from hotspot.bench.log import InjectionLog, RecorderLog
from hotspot.bench.run import COMPLETE, CUT_OUT, STOPPED, run_schedule
from hotspot.bench.schedule import build_ladder, build_pulse_train, to_schedule
from hotspot.devices.supply import ManualSupply, Readback
from hotspot.errors import InputError, SupplyError
from hotspot.files.recorder import RecordingWriter
from hotspot.files.recordings import load_recording
from hotspot.inject.limits import RailCase
from hotspot.inject.plan import plan_injection
from hotspot.inject.report import plan_to_dict
from hotspot.practice.supply_server import LoadedSupply
from hotspot.profile import CameraProfile
from tests.bench.supply_stand import PLAN, Bench, quick, read_log


def test_ladder_is_followed_and_logged(tmp_path) -> None:
    bench = Bench(tmp_path, LoadedSupply(short_ohm=0.05, lead_ohm=0.05))
    report = bench.run(quick(build_ladder(PLAN), 0.4))
    assert (report.outcome, report.segments) == (COMPLETE, len(PLAN.ladder))
    assert report.off_confirmed is True
    assert bench.loaded.on is False
    rows = read_log(bench.log)
    assert rows.dtype.names == ("t_s", "on", "volts", "amps")
    assert np.all(np.diff(rows["t_s"]) >= 0)
    assert rows["on"][0] == 0
    assert rows["on"][-1] == 0
    assert np.nanmax(rows["amps"]) == pytest.approx(PLAN.limit_a, rel=0.01)
    assert bench.loaded.over_v <= 0.9


def test_pulse_train_switches_every_half_period(tmp_path) -> None:
    plan = plan_injection(RailCase(0.9, 0.05), pulse_period_s=0.6)
    bench = Bench(tmp_path, LoadedSupply(short_ohm=0.05, lead_ohm=0.05))
    report = bench.run(build_pulse_train(plan, minutes=1.8 / 60.0))
    assert report.outcome == COMPLETE
    edges = [when for when, on in bench.loaded.switched if on]
    assert len(edges) == 3
    assert np.diff(edges) == pytest.approx(0.6, abs=0.25)


def fault_hot(bench: Bench) -> None:
    bench.show = lambda t: Sight(t, 75.0, 0.1)


def fault_rise(bench: Bench) -> None:
    bench.show = lambda t: Sight(t, 45.0, 20.0)


def fault_frames(bench: Bench) -> None:
    bench.show = lambda t: None


def fault_short_grows(bench: Bench) -> None:
    bench.loaded.extra_a = 0.3


def fault_voltage(bench: Bench) -> None:
    bench.loaded.extra_v, bench.loaded.short_ohm = 0.2, float("inf")


def fault_trip(bench: Bench) -> None:
    bench.loaded.extra_v, bench.loaded.short_ohm = 3.0, float("inf")


def fault_mute(bench: Bench) -> None:
    # The supply hears but cannot be heard for a while: off must still reach it.
    bench.loaded.mute = True
    threading.Timer(0.7, lambda: setattr(bench.loaded, "mute", False)).start()


def fault_garbage(bench: Bench) -> None:
    bench.loaded.garbage = True
    threading.Timer(0.2, lambda: setattr(bench.loaded, "garbage", False)).start()


def fault_wire(bench: Bench) -> None:
    bench.server.drop(refuse=False)  # the link breaks, a new connection is taken


def fault_off_by_itself(bench: Bench) -> None:
    bench.loaded.on = False


FAULTS = [
    (fault_hot, "75.0 °C", 0.6),
    (fault_rise, "too fast", 0.6),
    (fault_frames, "no frame for", 1.6),
    (fault_short_grows, "A read back", 0.6),
    (fault_voltage, "V read back", 0.6),
    (fault_trip, "tripped", 0.6),
    (fault_mute, "no answer", 2.5),
    (fault_garbage, "no number|was answered", 1.0),
    (fault_wire, "failed|no answer", 1.0),
    (fault_off_by_itself, "says off by itself", 0.6),
]


@pytest.mark.parametrize(
    ("fault", "words", "within_s"), FAULTS, ids=lambda x: getattr(x, "__name__", "")
)
def test_every_fault_switches_the_output_off(tmp_path, capsys, fault, words, within_s) -> None:
    bench = Bench(tmp_path, LoadedSupply(short_ohm=0.05, lead_ohm=0.05))
    schedule = build_ladder(PLAN)
    schedule = quick(replace(schedule, segments=schedule.segments[-1:]), 6.0)
    at: list[float] = []

    def strike() -> None:
        at.append(time.monotonic())
        fault(bench)

    threading.Timer(0.6, strike).start()
    report = bench.run(schedule)
    assert report.outcome == CUT_OUT
    assert any(word in report.reason for word in words.split("|")), report.reason
    assert bench.loaded.on is False
    if fault not in (fault_off_by_itself, fault_trip):
        took_s = bench.loaded.switched[-1][0] - at[0]
        with capsys.disabled():
            print(f"\n  {fault.__name__}: off {took_s * 1e3:.0f} ms after the fault", end="")
        assert took_s < within_s + 3.0  # a stuck loop fails, a busy machine does not
    assert read_log(bench.log)["on"][-1] == 0


def test_no_frames_no_start(tmp_path) -> None:
    bench = Bench(tmp_path, LoadedSupply())
    bench.show = lambda t: None
    report = bench.run(build_ladder(PLAN))
    # The camera thread may have sent a frame before it fell silent.
    assert report.outcome == CUT_OUT
    assert "no frame" in report.reason


def test_a_battery_left_on_the_board_starts_nothing(tmp_path) -> None:
    loaded = LoadedSupply(foreign_v=3.7)
    bench = Bench(tmp_path, loaded)
    report = bench.run(build_ladder(PLAN))
    assert report.outcome == CUT_OUT
    assert "3.70 V at the terminals" in report.reason
    assert loaded.switched == []


def test_log_is_read_back_by_the_recording_reader(tmp_path) -> None:
    profile = CameraProfile(name="bench", width=12, height=9, scale=0.01, offset=0.0)
    with RecordingWriter(tmp_path / "rec", profile) as recorder:
        for index in range(3):
            recorder.append(np.full((9, 12), 2300, np.uint16), 0.1 * index)
        log = RecorderLog(recorder)
        log.add(0.0, on=False)
        log.add(0.1000, on=True)
        log.add(0.1001, on=True, read=Readback(0.1, 1.0, True))
        log.add(0.25, on=False)
    table = load_recording(tmp_path / "rec").injection
    assert table is not None
    assert np.all(np.diff(table.t_s) > 0)
    assert table.on.tolist() == [False, True, True, False]
    assert table.amps[2] == 1.0
    with InjectionLog(tmp_path / "own.csv") as own:
        own.add(0.1, on=False)
        own.add(0.1, on=True)
    assert (tmp_path / "own.csv").read_text().splitlines()[1:] == ["0.100,0,,", "0.101,1,,"]


def test_stop_button(tmp_path) -> None:
    bench = Bench(tmp_path, LoadedSupply(lead_ohm=0.05))
    report = bench.run(build_ladder(PLAN), stop=lambda: bench.now() > 0.8)
    assert report.outcome == STOPPED
    assert bench.loaded.on is False


def test_a_slow_supply_does_not_blind_the_camera(tmp_path, capsys) -> None:
    bench = Bench(tmp_path, LoadedSupply(short_ohm=0.05, lead_ohm=0.05))
    at: list[float] = []

    def strike() -> None:
        bench.loaded.delay_s = 0.3  # four questions a reading: 1.2 s
        at.append(time.monotonic())
        fault_hot(bench)

    threading.Timer(1.2, strike).start()
    report = bench.run(quick(build_ladder(PLAN), 3.0))
    assert (report.outcome, bench.loaded.on) == (CUT_OUT, False)
    assert "°C" in report.reason
    took_s = bench.loaded.switched[-1][0] - at[0]
    with capsys.disabled():
        print(f"\n  answers 0.3 s late: off {took_s * 1e3:.0f} ms after the fault", end="")
    assert took_s < 3.0


@pytest.mark.parametrize(("short_ohm", "expected"), [(0.05, None), (5.0, 0)])
def test_constant_voltage_where_current_was_planned_is_noted(tmp_path, short_ohm, expected) -> None:
    bench = Bench(tmp_path, LoadedSupply(short_ohm=short_ohm, lead_ohm=0.042))
    report = bench.run(quick(build_ladder(PLAN), 0.8))
    assert report.outcome == COMPLETE
    assert report.in_voltage_mode == expected


def test_dead_link_says_unknown(tmp_path) -> None:
    bench = Bench(tmp_path, LoadedSupply(lead_ohm=0.05))
    threading.Timer(0.6, bench.server.drop).start()
    with pytest.raises(SupplyError, match=r"output state unknown.*by hand"):
        bench.run(quick(build_ladder(PLAN), 1.0))


def test_stuck_output_says_unknown(tmp_path) -> None:
    bench = Bench(tmp_path, LoadedSupply(lead_ohm=0.05))
    bench.loaded.stuck_on = True
    with pytest.raises(SupplyError, match="it still says on"):
        bench.run(quick(build_ladder(PLAN), 0.1))


def test_short_that_burns_open_never_sees_more_than_nominal(tmp_path) -> None:
    loaded = LoadedSupply(short_ohm=0.05, lead_ohm=0.05, burn_open_w=0.02, burn_open_s=0.2)
    bench = Bench(tmp_path, loaded)
    report = bench.run(quick(build_ladder(PLAN), 0.5))
    assert np.isinf(loaded.short_ohm)
    rows = read_log(bench.log)
    assert np.nanmax(rows["volts"]) <= 0.9
    assert report.outcome == COMPLETE
    assert report.in_voltage_mode is None or report.in_voltage_mode >= 0


def test_exception_in_the_middle_switches_off(tmp_path) -> None:
    bench = Bench(tmp_path, LoadedSupply(lead_ohm=0.05))

    def stop() -> bool:
        if bench.now() > 0.6:
            raise RuntimeError("a defect of ours")
        return False

    with pytest.raises(RuntimeError, match="defect"):
        bench.run(build_ladder(PLAN), stop=stop)
    assert bench.loaded.on is False


def test_manual_supply_runs_by_cues(tmp_path) -> None:
    said: list[str] = []
    supply = ManualSupply(lambda text: not said.append(text), bounds=build_ladder(PLAN).bounds)
    with InjectionLog(tmp_path / "injection.csv") as log:
        report = run_schedule(supply, quick(build_ladder(PLAN), 0.01), log=log)
    assert report.outcome == COMPLETE
    assert report.off_confirmed is False
    assert said.count("Output ON") == 1
    assert said[0] == said[-1] == "Output OFF"
    rows = (tmp_path / "injection.csv").read_text().splitlines()
    assert rows[0] == "t_s,on,volts,amps"
    assert rows[-1].endswith(",0,,")


def test_log_is_never_overwritten(tmp_path) -> None:
    (tmp_path / "injection.csv").write_text("old")
    with pytest.raises(InputError, match="there is a log already"):
        InjectionLog(tmp_path / "injection.csv")
    assert (tmp_path / "injection.csv").read_text() == "old"


@pytest.mark.parametrize(
    ("change", "words"),
    [(lambda d: d.update(refused="no"), "refused: no"),
     (lambda d: d["ladder"][-1].update(set_v=40.0), "beyond the plan's own limits"),
     (lambda d: d["ladder"][0].update(limit_a=9.0), "beyond the plan's own limits"),
     (lambda d: d["ladder"][0].update(limit_a=float("nan")), "not a plan"),
     (lambda d: d["ladder"][0].update(hold_s=1e9), "too long"),
     (lambda d: d.update(ladder=[]), "not a plan"),
     (lambda d: d.pop("limits"), "not a plan"),
     (lambda d: d.update(limits=[]), "not a plan")],
)  # fmt: skip
def test_tampered_plan_is_not_run(change, words: str) -> None:
    data = json.loads(json.dumps(plan_to_dict(PLAN)))
    change(data)
    with pytest.raises(InputError, match=words):
        to_schedule(data, where="plan.json")


def test_camera_faults_are_judged_at_their_bounds() -> None:
    schedule = build_ladder(PLAN)

    def fault(sight: Sight, expected_k: float = 1.0) -> str | None:
        return find_camera_fault(schedule, sight, now_s=10.0, expected_k=expected_k)

    assert fault(Sight(9.5, schedule.max_pixel_c, 2.9)) is None
    assert "°C" in str(fault(Sight(9.5, schedule.max_pixel_c + 0.1, 0.0)))
    assert "too fast" in str(fault(Sight(9.5, None, 3.1)))
    assert "no frame for 1.1 s" in str(fault(Sight(8.9, None, None)))
