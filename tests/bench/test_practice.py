"""A whole run on the practice bench: set, switch, read back, watch, log; nobody waits."""

import math

import numpy as np
import pytest

from hotspot.bench.log import InjectionLog
from hotspot.bench.practice import PracticeBenchSupply, build_practice_timing
from hotspot.bench.run import COMPLETE, CUT_OUT, run_schedule
from hotspot.bench.schedule import Schedule, Segment
from hotspot.devices.supply import Bounds, Supply
from hotspot.practice import (
    CameraSettings,
    Circuit,
    PracticeBench,
    PracticeCamera,
    PracticeSupply,
    build_demo_board,
    build_scene,
)

BOUNDS = Bounds(max_v=1.0, max_a=0.5, trip_v=1.2, trip_a=0.6)


def schedule(*segments):
    return Schedule(
        segments=segments or (
            Segment(on=False, set_v=1.0, limit_a=0.5, length_s=2.0, fault_w=0.0),
            Segment(on=True, set_v=1.0, limit_a=0.25, length_s=3.0, fault_w=0.00625),
            Segment(on=True, set_v=1.0, limit_a=0.5, length_s=4.0, fault_w=0.025),
        ),
        bounds=BOUNDS, limit_v=1.0, limit_a=0.5, max_pixel_c=60.0, rise_factor=3.0,
        curve_s=(0.1, 10.0), curve_k_w=(10.0, 60.0),
    )  # fmt: skip


@pytest.fixture
def bench():
    circuit = Circuit(lead_ohm=0.1, trace_ohm=0.0, short_ref="C12", short_ohm=0.1)
    camera = CameraSettings(width=81, height=60, netd_mk=20.0, drift_k=0.0)
    scene = build_scene(build_demo_board(), rail="3V3", fault="C12", circuit=circuit, camera=camera)
    return PracticeBench(scene, rng=np.random.default_rng(5))


def run(bench, folder, *, frames=None, steps=None):
    supply: Supply = PracticeBenchSupply(PracticeSupply(bench), bounds=BOUNDS)
    camera = PracticeCamera(bench)
    timing = build_practice_timing(
        bench, camera=camera, show=frames.append if frames is not None else None
    )
    with InjectionLog(folder / "injection.csv") as log:
        return run_schedule(supply, steps or schedule(), log=log, timing=timing)


def test_a_ladder_runs_through_and_the_part_warms_up(bench, tmp_path):
    frames = []
    report = run(bench, tmp_path, frames=frames)
    assert report.outcome == COMPLETE
    assert report.off_confirmed
    assert not bench.setting.on
    assert bench.t_s == pytest.approx(9.0, abs=0.3)
    assert len(frames) == pytest.approx(81, abs=2)
    assert np.diff([f.t_s for f in frames]) == pytest.approx(1 / 9, abs=1e-6)
    cold = np.mean([f.counts for f in frames if f.t_s < 2.0], axis=0)
    hot = np.mean([f.counts for f in frames if 7.0 < f.t_s < 9.0], axis=0)
    y, x = np.unravel_index(np.argmax(hot - cold), cold.shape)
    part = bench.scene.board.part("C12")
    place = bench.scene.to_thermal_px(np.array([part.x_mm, part.y_mm]))[0]
    assert math.dist((x, y), place) < 1.5
    log = np.genfromtxt(tmp_path / "injection.csv", delimiter=",", skip_header=1)
    settled = log[(log[:, 1] == 1) & (log[:, 0] > 5.5) & np.isfinite(log[:, 3])]
    assert settled[:, 3] == pytest.approx(0.5)
    assert settled[:, 2] == pytest.approx(0.1)  # 0.5 A through 0.2 ohm


def test_a_short_that_burns_open_is_noticed_and_ends_with_the_output_off(bench, tmp_path):
    bench.set_circuit(
        Circuit(lead_ohm=0.1, short_ref="C12", short_ohm=0.1, burn_open_w=0.02, burn_open_s=1.0)
    )
    report = run(bench, tmp_path)
    assert bench.circuit.short_ohm == math.inf
    assert not bench.setting.on
    assert report.in_voltage_mode == 2 or report.outcome == CUT_OUT


def test_a_set_point_beyond_the_plan_raises_and_changes_nothing(bench):
    supply = PracticeBenchSupply(PracticeSupply(bench), bounds=BOUNDS)
    supply.set_point(0.5, 0.2)
    with pytest.raises(ValueError, match=r"amps must be in 0 to 0.5 \(plan\), got 0.6"):
        supply.set_point(0.5, 0.6)
    assert (bench.setting.volts, bench.setting.amps) == (0.5, 0.2)


def test_read_back_tells_output_and_trip(bench):
    twin = PracticeSupply(bench)
    supply = PracticeBenchSupply(twin, bounds=BOUNDS)
    supply.set_point(1.0, 0.5)
    supply.arm_trips()
    supply.switch_on()
    read = supply.read()
    assert (read.volts, read.amps, read.on, read.tripped) == (
        pytest.approx(0.1), pytest.approx(0.5), True, False,
    )  # fmt: skip
    twin.set_point(1.0, 0.7)  # somebody turns the knob: the supply's own protection acts
    read = supply.read()
    assert (read.amps, read.on, read.tripped) == (0.0, False, True)
