"""Cold, plan, off with a camera as guard: what is kept opens again, every fault ends in off."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import erf

from hotspot.bench.cutout import Sight
from hotspot.bench.guarded_run import GuardedReport, Keeping, Protocol, run_guarded
from hotspot.bench.practice_run import build_rail_scene, run_practice
from hotspot.bench.run import COMPLETE, CUT_OUT
from hotspot.bench.schedule import Schedule, build_ladder, with_cold_and_after
from hotspot.bench.session import open_supply
from hotspot.bench.sight import Lookout, hottest
from hotspot.devices.dialect import Dialect
from hotspot.devices.replay import ReplayCamera
from hotspot.devices.supply import ManualSupply
from hotspot.errors import HotspotError, InputError, RecordingError
from hotspot.files.boards import load_board
from hotspot.files.recorder import RecordingWriter
from hotspot.files.recordings import load_recording
from hotspot.find import find
from hotspot.frame import RawFrame
from hotspot.inject.limits import RailCase
from hotspot.inject.plan import plan_injection
from hotspot.inject.report import plan_to_dict
from hotspot.practice.supply_server import LoadedSupply, SupplyServer
from hotspot.profile import CameraProfile, Values
from tests.bench.fake_camera import PROFILE, SHAPE, FakeBench, wait_until

PLAN = plan_injection(RailCase(0.9, 0.05))
WORDS = Dialect(timeout_s=1.0)
SAMPLES = Path(__file__).resolve().parents[2] / "sample_frames"


def ladder(length_s: float) -> Schedule:
    schedule = build_ladder(PLAN)
    steps = tuple(replace(step, length_s=length_s) for step in schedule.segments)
    return replace(schedule, segments=steps)


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hotspot.bench.picture.BASELINE_S", 0.2)
    monkeypatch.setattr("hotspot.bench.guarded_run.LEAST_COLD_S", 0.3)


@pytest.fixture
def loaded() -> LoadedSupply:
    return LoadedSupply(short_ohm=0.05, lead_ohm=0.05)


@pytest.fixture
def server(loaded: LoadedSupply) -> Iterator[SupplyServer]:
    with SupplyServer(loaded) as one:
        yield one


def run(server: SupplyServer, camera: object, keep: Keeping, *, length_s: float) -> GuardedReport:
    schedule = ladder(length_s)
    protocol = Protocol(cold_s=0.5, after_s=0.3)
    with open_supply(server.address, WORDS, schedule=schedule) as supply:
        return run_guarded(supply, schedule, camera=camera, keep=keep, protocol=protocol)  # type: ignore[arg-type]


def test_cold_plan_off_is_recorded(server, loaded, tmp_path) -> None:
    bench = FakeBench()
    keep = Keeping(tmp_path / "rec", rail="VDD", board=SAMPLES / "board")
    report = run(server, bench.open(), keep, length_s=0.3)
    assert (report.run.outcome, report.problem, report.lost) == (COMPLETE, "", 0)
    assert (loaded.on, bench.closed) == (False, 1)
    recording = load_recording(tmp_path / "rec")
    assert recording.complete
    assert (recording.rail, len(recording.t_s)) == ("VDD", report.frames)
    assert recording.t_s[0] == 0.0
    assert Path(str(recording.board)).name == "board"
    log = recording.injection
    assert log is not None
    onset_s = log.t_s[log.on][0]
    assert onset_s >= 0.5  # cold first
    assert not log.on[-1]
    assert recording.t_s[-1] >= log.t_s[log.on][-1] + 0.3  # and after
    assert np.nanmax(log.amps) == pytest.approx(PLAN.limit_a, rel=0.01)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"hot": 4500}, "above the plan's 60 °C"),
        ({"hot": 1500}, "too fast"),
        ({"silent": True}, "no frame for 1"),
        ({"plugged": False}, "camera: fake: gives no picture"),
        ({"frozen": True}, "camera has frozen"),
    ],
    ids=lambda x: str(x)[:12],
)
def test_what_the_camera_sees_ends_the_run(server, loaded, tmp_path, change, words) -> None:
    bench = FakeBench()

    def strike() -> None:
        wait_until(lambda: loaded.on, 10)
        for name, value in change.items():
            setattr(bench, name, value)

    fault = threading.Thread(target=strike)
    fault.start()
    report = run(server, bench.open(), Keeping(tmp_path / "rec"), length_s=20.0)
    bench.silent = False
    fault.join()
    assert (report.run.outcome, loaded.on) == (CUT_OUT, False)
    assert words in report.run.reason
    recording = load_recording(tmp_path / "rec")
    assert recording.complete
    assert recording.injection is not None
    assert not recording.injection.on[-1]


def test_a_played_recording_guards_the_simulated_supply_only(server, loaded, tmp_path) -> None:
    rng = np.random.default_rng(3)
    with RecordingWriter(tmp_path / "hot", PROFILE) as writer:
        for i in range(60):
            counts = 2500 + rng.integers(0, 10, SHAPE).astype(np.uint16)
            counts[7:14, 17:24] += 5000 if i > 40 else 0
            writer.append(counts, i / 30)
    camera = ReplayCamera(load_recording(tmp_path / "hot"))
    report = run(server, camera, Keeping(log=tmp_path / "log.csv"), length_s=20.0)
    assert "above the plan's 60 °C" in report.run.reason
    assert (tmp_path / "log.csv").read_text().splitlines()[-1].split(",")[1] == "0"
    camera = ReplayCamera(load_recording(tmp_path / "hot"))
    hand = ManualSupply(lambda _: True, bounds=ladder(1.0).bounds)
    with pytest.raises(InputError, match="does not see the board"):
        run_guarded(hand, ladder(1.0), camera=camera, keep=Keeping(log=tmp_path / "b"),
                    protocol=Protocol(cold_s=0.5))  # fmt: skip
    assert not (tmp_path / "b").exists()


def test_a_camera_without_a_picture_starts_nothing(server, loaded, tmp_path) -> None:
    bench = FakeBench()
    camera = bench.open()
    bench.plugged = False
    with pytest.raises(HotspotError, match="gives no picture"):
        run(server, camera, Keeping(tmp_path / "rec"), length_s=1.0)
    assert loaded.switched == []


def test_the_output_waits_for_the_baseline(server, loaded, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr("hotspot.bench.picture.BASELINE_S", 5.0)
    report = run(server, FakeBench().open(), Keeping(tmp_path / "rec"), length_s=1.0)
    assert report.run.reason == "not switched on: the cold baseline is not taken yet"
    assert loaded.switched == []


def test_a_disk_that_refuses_costs_the_recording_not_the_guard(
    server, loaded, tmp_path, monkeypatch
) -> None:
    def refuse(self: RecordingWriter, *_: object, **__: object) -> None:
        raise RecordingError("cannot be written (No space left on device)")

    monkeypatch.setattr(RecordingWriter, "append", refuse)
    report = run(server, FakeBench().open(), Keeping(tmp_path / "rec"), length_s=0.2)
    assert (report.run.outcome, loaded.on) == (COMPLETE, False)
    assert "No space left" in report.problem
    assert "complete" not in (tmp_path / "rec" / "recording.toml").read_text()


def test_a_log_that_cannot_be_written_ends_the_run(server, loaded, tmp_path, monkeypatch) -> None:
    from hotspot.bench.log import InjectionLog

    real = InjectionLog.add

    def add(self: InjectionLog, t_s: float, **rest: object) -> None:
        if loaded.on:
            raise HotspotError("cannot write the log: No space left on device")
        real(self, t_s, **rest)  # type: ignore[arg-type]

    monkeypatch.setattr(InjectionLog, "add", add)
    report = run(server, FakeBench().open(), Keeping(log=tmp_path / "log.csv"), length_s=5.0)
    assert (report.run.outcome, loaded.on) == (CUT_OUT, False)
    assert "No space left" in report.run.reason


def test_cold_and_after_surround_the_plan() -> None:
    schedule = with_cold_and_after(ladder(2.0), cold_s=8.0, after_s=0.0)
    assert [s.on for s in schedule.segments] == [False] + [True] * len(PLAN.ladder)
    assert schedule.length_s == 8.0 + 2.0 * len(PLAN.ladder)
    with pytest.raises(ValueError, match="cold_s"):
        Protocol(cold_s=0.1)


def test_the_practice_bench_gives_a_recording_that_names_its_fault(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr("hotspot.bench.picture.BASELINE_S", 3.0)
    folder = SAMPLES / "board"
    board = load_board(folder)
    plan = plan_injection(RailCase(3.3, 0.3))
    scene = build_rail_scene(board, rail="3V3", short_ohm=0.3, seed=4)
    steps = tuple(replace(s, length_s=3.0) for s in build_ladder(plan).segments[-2:])
    report = run_practice(
        scene,
        replace(build_ladder(plan), segments=steps),
        seed=4,
        keep=Keeping(tmp_path / "rec", board=folder),
        protocol=Protocol(cold_s=4.0, after_s=2.0),
    )
    assert (report.run.outcome, report.lost) == (COMPLETE, 0)
    recording = load_recording(tmp_path / "rec")
    expected = 12.0 * scene.camera.frame_rate_hz
    assert report.frames == len(recording.t_s) == pytest.approx(expected, abs=5)
    truth = json.loads((tmp_path / "rec" / "truth.json").read_text())
    assert truth["fault"] == scene.circuit.short_ref
    found = find(recording, board=board)
    assert found.suspects[0].ref == truth["fault"]


def point_of_heat(sigma_px: float, peak_k: float) -> np.ndarray:
    """Return a Gaussian spot integrated over square pixels, its brightest pixel at `peak_k`."""
    edges = np.arange(-10.5, 11.0)
    line = np.diff(erf(edges / (np.sqrt(2) * sigma_px)))
    picture = np.outer(line, line)
    return (peak_k * picture / picture.max()).astype(np.float32)


@pytest.mark.parametrize("sigma_px", [0.3, 0.5, 0.8, 2.0])
def test_heat_counts_in_full_a_bad_pixel_does_not(sigma_px: float) -> None:
    rng = np.random.default_rng(1)
    good = np.ones((21, 21), bool)
    noise = 0.05 * rng.standard_normal((21, 21)).astype(np.float32)
    heat = 25.0 + noise + point_of_heat(sigma_px, 40.0)
    assert hottest(heat, good=good) == pytest.approx(65.0, abs=0.5)
    bad = 25.0 + noise
    bad[4, 15] += 40.0
    assert hottest(bad, good=good) < 28.0
    corner = 25.0 + noise
    corner[0, 0] += 40.0
    assert hottest(corner, good=good) < 28.0
    good[10, 10] = False
    known = (25.0 + noise).astype(np.float32)
    known[10, 9:12] += 40.0
    known[10, 9] = known[10, 11] = 25.0
    assert hottest(known, good=good) < 28.0


def test_display_video_has_no_temperature_and_may_stand_still() -> None:
    grey = CameraProfile(name="video", width=32, height=24, values=Values.GREY8)
    picture = np.full(SHAPE, 200, np.uint8)
    values = picture.astype(np.float32)
    lookout = Lookout(grey)
    for at_s in (1.0, 9.0):
        sight = lookout.look(picture, values=values, rise=values, at_s=at_s)
        assert sight == Sight(at_s, None, None, None)


@pytest.mark.slow
def test_a_stopped_command_leaves_a_whole_recording(server, loaded, tmp_path) -> None:
    """As a technician stops it: Ctrl-C while the output is on and a camera films."""
    rng = np.random.default_rng(5)
    with RecordingWriter(tmp_path / "film", PROFILE) as writer:
        for i in range(1200):
            writer.append(2500 + rng.integers(0, 10, SHAPE).astype(np.uint16), i / 30)
    plan = tmp_path / "plan.json"
    plan.write_text(json.dumps(plan_to_dict(PLAN)))
    process = subprocess.Popen(
        [sys.executable, "-m", "hotspot", "supply", "run", server.address, "--plan", str(plan),
         "--camera", str(tmp_path / "film"), "--record", str(tmp_path / "rec"), "--cold-s", "6"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": str(Path.cwd())},
    )  # fmt: skip
    wait_until(lambda: loaded.on, 30)
    time.sleep(0.5)
    process.send_signal(signal.SIGINT)
    said, errors = process.communicate(timeout=30)
    assert (process.returncode, loaded.on, errors) == (130, False, "")
    assert "output off, confirmed" in said
    recording = load_recording(tmp_path / "rec")
    assert recording.complete
    assert recording.injection is not None
    assert recording.injection.on.any()
    assert not recording.injection.on[-1]
    assert len(recording.t_s) > 150


def test_a_first_frame_that_waited_does_not_shift_the_log(server, loaded, tmp_path) -> None:
    """A camera opened a while before the run holds an old picture; times must agree."""
    bench = FakeBench()
    camera = bench.open()
    old = camera.read()
    real = camera.read
    waiting = [old]

    def read() -> RawFrame:
        return waiting.pop() if waiting else real()

    camera.read = read  # type: ignore[method-assign]
    time.sleep(1.0)
    rising = threading.Thread(target=lambda: (wait_until(lambda: loaded.on, 10), heat(bench)))
    rising.start()
    run(server, camera, Keeping(tmp_path / "rec"), length_s=0.3)
    rising.join()
    recording = load_recording(tmp_path / "rec")
    assert recording.injection is not None
    onset_s = recording.injection.t_s[recording.injection.on][0]
    frames = np.concatenate(list(recording.source.chunks()))
    warm_s = recording.t_s[frames[:, 10, 20] > 2600][0]
    assert warm_s == pytest.approx(onset_s, abs=0.2)


def heat(bench: FakeBench) -> None:
    bench.hot = 150  # 1.5 K: below what cuts out
