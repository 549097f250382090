import numpy as np
import pytest

from hotspot.board import Board, Kind, Part, Rail
from hotspot.practice.bench import PracticeBench
from hotspot.practice.circuit import Circuit, SupplySetting
from hotspot.practice.nuisances import Bump, Draught, WarmHand
from hotspot.practice.plate import HeatStepper, PlateSettings, build_network
from hotspot.practice.recording import Switching, build_hand_switching, simulate_recording
from hotspot.practice.scene import build_scene
from hotspot.practice.sensor import CameraSettings
from hotspot.practice.twin import PracticeCamera, PracticeSupply

BOARD = Board(
    name="bench",
    parts=(
        Part("C1", Kind.CAPACITOR, "0402", 12.0, 9.0, 1.0, 0.5, nets=("3V3", "GND")),
        Part("C2", Kind.CAPACITOR, "0402", 16.0, 9.0, 1.0, 0.5, nets=("3V3", "GND")),
        Part("L1", Kind.INDUCTOR, "", 5.0, 15.0, 2.5, 2.0, nets=("VIN", "3V3")),
        Part("U1", Kind.IC, "", 22.0, 14.0, 5.0, 5.0, nets=("3V3", "GND")),
    ),
    rails=(Rail("3V3", nominal_v=3.3, inject_at_mm=(3.0, 3.0)),),
    width_mm=30.0,
    height_mm=20.0,
    thickness_mm=1.6,
)
CAMERA = CameraSettings(width=61, height=47, bad_pixels=2, repeat_share=0.05)


def scene(**changes):
    options = {"rail": "3V3", "fault": "C1", "camera": CAMERA, "lead_ohm": 0.1, **changes}
    return build_scene(BOARD, **options)


def rng():
    return np.random.default_rng(11)


def test_a_part_stands_above_its_board_by_power_times_contact_resistance():
    s = scene()
    bench = PracticeBench(s, rng=rng())
    power = np.zeros(bench.network.size)
    cells = s.plate.shape[0] * s.plate.shape[1]
    power[cells] = 0.05
    u = bench.network.steady_rise(power)
    lump = s.bodies[0].to_lump(s.plate)
    under = (u[:cells] * lump.contact_w_k.ravel()).sum() / lump.contact_w_k.sum()
    into_board = 0.05 - lump.loss_w_k * u[cells]
    assert u[cells] - under == pytest.approx(into_board / s.bodies[0].contact_w_k, rel=1e-9)


def test_the_time_step_is_second_order():
    # One lump alone on a cold plate end: compare with a step twice as fine.
    s = scene()
    network = build_network(s.plate, tuple(b.to_lump(s.plate) for b in s.bodies))
    power = np.zeros(network.size)
    power[-3] = 0.1

    def after_2s(dt):
        stepper = HeatStepper(network, step_s=dt)
        u = np.zeros(network.size)
        for _ in range(round(2.0 / dt)):
            u = stepper.step(u, power)
        return u

    fine = after_2s(0.0125)
    errors = [np.abs(after_2s(dt) - fine).max() for dt in (0.2, 0.1)]
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.35)
    assert np.abs(after_2s(0.05) - fine).max() < 0.002 * fine.max()


def test_no_switching_energy_is_lost_between_steps():
    plate = PlateSettings(width_mm=30.0, height_mm=20.0, convection_top_w_m2k=0.0,
                          convection_bottom_w_m2k=0.0, emissivity=0.0)  # fmt: skip
    s = scene(plate=plate)
    bench = PracticeBench(s, rng=rng())
    bench.network.loss_w_k[:] = 0.0
    edges = [0.013, 0.731, 0.902, 1.377, 2.511, 2.519]  # none on a step
    energy = 0.0
    for n, edge in enumerate(edges):
        bench.advance_to(edge)
        on = n % 2 == 0
        bench.set_supply(SupplySetting(1.0, 0.5, on))
        if on:
            state = bench.state
            energy += (state.short_w + state.trace_w) * (edges[n + 1] - edge)
    bench.advance_to(3.0)
    stored = (bench.rise_k() * bench.network.capacity_j_k).sum()
    lost_by_parts = 0.01 * energy  # the parts' own tops still cool a little
    assert stored == pytest.approx(energy, abs=lost_by_parts)
    assert stored <= energy


def test_the_stepwise_camera_sees_what_the_recording_holds():
    s = scene()
    switching = Switching(edges_s=(1.03, 3.0), volts=1.0, amps=0.8)
    whole = simulate_recording(s, switching, duration_s=5.0, rng=rng())
    bench = PracticeBench(s, rng=rng().spawn(3)[0])
    camera, supply = PracticeCamera(bench), PracticeSupply(bench)
    supply.set_point(1.0, 0.8)
    waiting = list(switching.edges_s)
    for n, t in enumerate(whole.recording.t_s):
        while waiting and waiting[0] <= t:
            bench.advance_to(waiting.pop(0))
            supply.switch_off() if supply.setting.on else supply.switch_on()
        frame = camera.read()
        assert frame.index == n
        assert frame.t_s == pytest.approx(t)
        np.testing.assert_array_equal(frame.counts, whole.recording.source.frames[n])


def test_the_hottest_place_is_the_shorted_part():
    s = scene(fault="C2")
    truth = simulate_recording(s, Switching(edges_s=(1.0,), amps=1.0), duration_s=6.0,
                               rng=rng()).truth  # fmt: skip
    y, x = np.unravel_index(truth.rise_k.argmax(), truth.rise_k.shape)
    assert np.hypot(x - truth.fault_xy_px[0], y - truth.fault_xy_px[1]) < 1.0
    assert truth.fault == "C2"
    assert dict(truth.power_w)["C2"] == pytest.approx(0.1, rel=1e-9)  # 1 A through 0.1 ohm


def test_the_series_inductor_gets_warm_too():
    s = scene(path=("L1",))
    truth = simulate_recording(s, Switching(edges_s=(0.5,), amps=2.0), duration_s=4.0,
                               rng=rng()).truth  # fmt: skip
    powers = dict(truth.power_w)
    assert powers["L1"] == pytest.approx(4.0 * s.circuit.series[0].ohm)
    x, y = np.round(s.to_thermal_px(np.array([5.0, 15.0]))[0]).astype(int)
    far_x, far_y = np.round(s.to_thermal_px(np.array([28.0, 3.0]))[0]).astype(int)
    assert truth.rise_k[y, x] > 3 * truth.rise_k[far_y, far_x]


def test_nothing_shorted_stays_cold():
    s = scene(fault=None)
    truth = simulate_recording(s, Switching(edges_s=(1.0,), volts=1.0), duration_s=4.0,
                               rng=rng()).truth  # fmt: skip
    assert truth.fault is None
    assert truth.amps == 0.0
    assert np.abs(truth.rise_k).max() < 1e-9


def test_the_recording_tells_what_a_bench_would_know():
    sim = simulate_recording(scene(), Switching(edges_s=(1.0, 2.0), amps=0.5), duration_s=3.0,
                             rng=rng())  # fmt: skip
    log = sim.recording.injection
    np.testing.assert_array_equal(log.t_s, [0.0, 1.0, 2.0])
    np.testing.assert_array_equal(log.on, [False, True, False])
    assert log.amps[1] == pytest.approx(0.5)
    assert sim.recording.rail == "3V3"
    for n in sim.truth.repeated:
        np.testing.assert_array_equal(*sim.recording.source.frames[n - 1 : n + 1])
    by_hand = Switching(edges_s=(1.0,), logged=False)
    assert simulate_recording(scene(), by_hand, duration_s=2, rng=rng()).recording.injection is None


def test_frame_times_keep_their_order_under_jitter():
    shaky = CameraSettings(width=61, height=47, time_jitter_s=0.5)
    t = simulate_recording(scene(camera=shaky), Switching(), duration_s=6, rng=rng()).recording.t_s
    assert t[0] == 0.0
    assert (np.diff(t) > 0).all()
    assert np.diff(t).std() > 0.02


def test_the_short_burns_open_after_its_time():
    circuit = Circuit(lead_ohm=0.1, short_ref="C1", short_ohm=0.2, burn_open_w=0.5, burn_open_s=2.0)
    bench = PracticeBench(scene(circuit=circuit), rng=rng())
    bench.set_supply(SupplySetting(2.0, 1.0, True))  # 0.2 W: not enough
    bench.advance_to(5.0)
    assert bench.state.amps == 1.0
    bench.set_supply(SupplySetting(2.0, 2.0, True))  # 0.8 W
    bench.advance_to(6.9)
    assert bench.state.amps == 2.0
    bench.advance_to(7.1)
    assert bench.state.amps == 0.0
    assert bench.state.volts == 2.0


def test_a_removed_part_opens_the_rail():
    bench = PracticeBench(scene(), rng=rng())
    supply = PracticeSupply(bench)
    supply.set_point(1.0, 0.5)
    supply.switch_on()
    assert supply.measure().amps == 0.5
    bench.set_circuit(Circuit(lead_ohm=0.1))
    assert supply.measure().amps == 0.0


def test_the_supply_refuses_what_it_cannot_give():
    supply = PracticeSupply(PracticeBench(scene(), rng=rng()), max_volts=6.0, max_amps=3.0)
    supply.set_point(5.0, 1.0)
    with pytest.raises(ValueError, match=r"volts must be <= 6.0, got 6.1"):
        supply.set_point(6.1, 1.0)
    with pytest.raises(ValueError, match=r"amps must be >= 0.0, got -0.1"):
        supply.set_point(2.0, -0.1)
    with pytest.raises(ValueError, match=r"trip_a must be <= 3.0, got 4.0"):
        supply.arm_trips(trip_v=5.0, trip_a=4.0)
    assert (supply.setting.volts, supply.setting.amps) == (5.0, 1.0)


def test_the_supply_trips_at_its_own_protection():
    supply = PracticeSupply(PracticeBench(scene(), rng=rng()))
    supply.arm_trips(trip_v=2.0, trip_a=0.6)
    supply.set_point(1.0, 0.5)
    supply.switch_on()
    assert not supply.tripped
    supply.set_point(1.0, 0.7)
    assert supply.tripped
    assert supply.measure().amps == 0.0


def test_a_clock_drives_camera_and_supply_together():
    now = [100.0]
    bench = PracticeBench(scene(), rng=rng())
    camera = PracticeCamera(bench, clock=lambda: now[0])
    supply = PracticeSupply(bench, clock=lambda: now[0])
    supply.set_point(1.0, 0.5)
    assert camera.read().t_s == 0.0
    now[0] = 102.0
    supply.switch_on()
    now[0] = 104.0
    frame = camera.read()
    assert frame.t_s == pytest.approx(4.0)
    assert bench.rise_k().max() > 0.5


def test_a_bump_moves_the_picture():
    still = PracticeBench(scene(), rng=rng())
    bumped = PracticeBench(scene(bumps=(Bump(1.0, 3.0, -2.0),)), rng=rng())
    bumped.advance_to(0.5)
    np.testing.assert_allclose(bumped.apparent_c(), still.apparent_c(), atol=1e-9)
    bumped.advance_to(1.5)
    inner = bumped.apparent_c()[8:-8, 8:-8]
    np.testing.assert_allclose(inner, still.apparent_c()[10:-6, 5:-11], atol=1e-6)


def test_a_hand_is_seen_in_bright_metal_only():
    hand = WarmHand(from_s=1.0, to_s=2.0, start_px=(30, 20), end_px=(30, 20), size_px=30)
    bench = PracticeBench(scene(hands=(hand,)), rng=rng())
    cold = bench.apparent_c()
    bench.advance_to(1.5)
    mirrored = bench.apparent_c() - cold
    bench.advance_to(2.5)
    np.testing.assert_allclose(bench.apparent_c(), cold, atol=1e-9)
    x, y = np.round(bench.scene.to_thermal_px(np.array([22.0, 14.0]))[0]).astype(int)
    assert mirrored[y, x] == pytest.approx(0.08 * 8.0, rel=0.5)  # 8 % of some 8 K
    cx, cy = np.round(bench.scene.to_thermal_px(np.array([12.42, 9.0]))[0]).astype(int)
    assert mirrored[cy, cx] > 1.5 * mirrored[y, x]  # the capacitor's end cap


def test_hand_switching_begins_where_told_and_alternates():
    s = build_hand_switching(first_s=9.0, on_s=6.0, off_s=5.0, pulses=6, sway=0.1, volts=1.0,
                             amps=0.1, rng=rng())  # fmt: skip
    assert s.edges_s[0] == 9.0
    assert len(s.edges_s) == 12
    assert not s.logged
    on = np.diff(s.edges_s)[::2]
    assert on.mean() == pytest.approx(6.0, rel=0.15)
    with pytest.raises(ValueError, match="edges_s must increase"):
        Switching(edges_s=(2.0, 1.0))


def test_a_scene_needs_a_scale_and_parts_that_exist():
    with pytest.raises(ValueError, match="ref must name a part of the board, got 'C99'"):
        scene(fault="C99")
    with pytest.raises(ValueError, match="board must have width_mm and height_mm"):
        build_scene(Board(name="x", parts=()))


def test_a_draught_moves_the_whole_board_slowly_and_small_parts_first():
    still = PracticeBench(scene(fault=None), rng=rng())
    windy = PracticeBench(scene(fault=None, draught=Draught(sigma_k=2.0, time_s=3.0)), rng=rng())
    cells = windy.scene.plate.shape[0] * windy.scene.plate.shape[1]
    courses = []
    for t in np.arange(1.0, 60.0, 0.5):
        windy.advance_to(t)
        courses.append(windy.rise_k())
    course = np.array(courses)
    # C (film) of this plate gives some 150 s: a 2 K draught of 3 s moves it by tens of mK
    assert 0.01 < course[:, :cells].mean(axis=1).std() < 0.5
    assert course[:, cells + 1].std() > course[:, :cells].mean(axis=1).std()
    still.advance_to(10.0)
    assert not still.rise_k().any()


def test_dropped_frames_leave_gaps():
    holey = CameraSettings(width=61, height=47, drop_share=0.2)
    made = simulate_recording(scene(camera=holey), Switching(), duration_s=20, rng=rng()).recording
    assert len(made.source) == len(made.t_s)
    assert len(made.t_s) == pytest.approx(0.8 * 180, abs=17)  # 3 sd of 180 draws
    steps = np.round(np.diff(made.t_s) * 9).astype(int)
    assert set(steps) >= {1, 2}


def test_a_short_on_the_far_side_shows_through_the_board_weaker_and_wider():
    from dataclasses import replace

    def rise(side):
        parts = (replace(BOARD.parts[0], side=side), *BOARD.parts[1:])
        far = build_scene(replace(BOARD, parts=parts), rail="3V3", fault="C1", camera=CAMERA)
        switching = Switching(edges_s=(0.5,), amps=1.0)
        return simulate_recording(far, switching, duration_s=5.0, rng=rng()).truth

    near, far = rise("top"), rise("bottom")
    assert 0.1 * near.rise_k.max() < far.rise_k.max() < 0.8 * near.rise_k.max()
    y, x = np.unravel_index(far.rise_k.argmax(), far.rise_k.shape)
    assert np.hypot(x - far.fault_xy_px[0], y - far.fault_xy_px[1]) < 1.5
    wide = [(t.rise_k > 0.5 * t.rise_k.max()).sum() for t in (near, far)]
    assert wide[1] > 2 * wide[0]
