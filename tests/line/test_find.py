"""From frames to the named part, on practice scenes whose truth is known."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from hotspot.board import Board
from hotspot.errors import RecordingError
from hotspot.files.boards import load_board
from hotspot.find import find, find_gathered
from hotspot.finding import CANNOT_TELL, HOT_SPOT, NO_HOT_SPOT, Finding, finding_to_dict
from hotspot.frame import ArraySource, Recording, SwitchLog
from hotspot.heat.live import LiveHeat
from hotspot.heat.values import value_converter
from hotspot.locate.at_parts import PartNoise
from hotspot.practice import (
    CameraSettings,
    SimulatedRecording,
    WarmHand,
    build_scene,
    simulate_recording,
)
from hotspot.practice import Switching as Bench
from hotspot.reasons import WEAK
from hotspot.register.from_landmarks import fit_registration
from tests.heat.made_frames import Made, counts, recording

CAMERA = CameraSettings(width=120, height=88, netd_mk=50.0, drift_k=0.3, scale=0.02)
MADE = Made()


@cache
def demo_board() -> Board:
    return load_board(Path(__file__).resolve().parents[2] / "sample_frames" / "board")


@cache
def simulated(
    fault: str | None = "C18",
    *,
    amps: float = 0.3,
    edges_s: tuple[float, ...] = (6.0,),
    logged: bool = True,
    duration_s: float = 18.0,
    seed: int = 7,
    path: tuple[str, ...] = (),
    rail: str = "3V3",
) -> SimulatedRecording:
    scene = build_scene(
        demo_board(), rail=rail, fault=fault, short_ohm=0.12, path=path, camera=CAMERA
    )
    return simulate_recording(
        scene,
        Bench(edges_s=edges_s, volts=1.0, amps=amps, logged=logged),
        duration_s=duration_s,
        rng=np.random.default_rng(seed),
    )


def near(finding: Finding, truth_xy: tuple[float, float] | None, within: float) -> bool:
    assert truth_xy is not None
    return any(np.hypot(*(s.xy_px - truth_xy)) < within for s in finding.spots)


@pytest.mark.parametrize("fault", ["C18", "C13", "U1"])
def test_a_step_names_the_part(fault: str) -> None:
    made = simulated(fault)
    finding = find(made.recording, board=demo_board())
    assert finding.verdict == HOT_SPOT
    assert finding.suspects[0].ref == fault
    assert finding.suspects[0].probability > 0.5
    assert near(finding, made.truth.fault_xy_px, 1.0 if fault != "U1" else 4.0)
    assert finding.false_alarm_probability < 1e-4
    assert sum(s.probability for s in finding.suspects) <= 1 + 1e-9


@pytest.mark.parametrize("amps", [0.3, 1.0, 3.0])
@pytest.mark.parametrize("fault", ["C18", "C13"])
def test_the_rise_that_is_told_is_the_rise_there_was(fault: str, amps: float) -> None:
    made = simulated(fault, amps=amps)
    finding = find(made.recording, board=demo_board())
    assert finding.spots[0].peak_k == pytest.approx(float(made.truth.rise_k.max()), rel=0.1)


@pytest.mark.parametrize("fault", ["C18", "C13"])
def test_a_step_that_nobody_logged_names_the_part(fault: str) -> None:
    made = simulated(fault, logged=False)
    finding = find(made.recording, board=demo_board())
    assert finding.verdict == HOT_SPOT
    assert finding.suspects[0].ref == fault
    assert finding.switching.source == "estimated"
    assert finding.switching.onset_s == pytest.approx(6.0, abs=1.0)


def test_a_pulse_train_below_the_noise_of_a_frame_names_the_part() -> None:
    edges = tuple(5.0 + 4.0 * i for i in range(10))
    made = simulated("C18", amps=0.11, edges_s=edges, duration_s=48.0)
    assert made.truth.rise_k.max() < 0.05
    finding = find(made.recording, board=demo_board())
    assert finding.verdict == HOT_SPOT
    assert finding.suspects[0].ref == "C18"
    assert finding.switching.period_s == pytest.approx(8.0, abs=0.1)


@pytest.mark.parametrize("logged", [True, False])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nothing_shorted_is_no_hot_spot(logged: bool, seed: int) -> None:
    made = simulated(None, logged=logged, seed=seed)
    finding = find(made.recording, board=demo_board())
    assert finding.verdict == NO_HOT_SPOT
    assert finding.suspects == ()
    assert finding.false_alarm_probability > 0.005


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_between_nothing_and_a_hot_spot_there_is_a_hint(seed: int) -> None:
    made = simulated("C18", amps=0.075, seed=seed)
    finding = find(made.recording, board=demo_board())
    assert finding.verdict == CANNOT_TELL
    assert finding.suspects[0].ref == "C18"
    assert sum(s.probability for s in finding.suspects) <= 0.5
    assert finding.limit is not None
    assert {spot.role for spot in finding.spots} == {"unknown"}
    assert WEAK in finding.warnings


@pytest.mark.parametrize("logged", [True, False])
def test_a_mirrored_hand_gets_no_name(logged: bool) -> None:
    hand = WarmHand(
        temperature_c=34.0, from_s=7.0, to_s=20.0, start_px=(10, 12), end_px=(60, 40), size_px=12.0
    )
    scene = build_scene(
        demo_board(), rail="3V3", fault=None, camera=replace(CAMERA, width=80, height=60),
        hands=(hand,),
    )  # fmt: skip
    made = simulate_recording(
        scene,
        Bench(edges_s=(8.0,), volts=1.0, amps=0.3, logged=logged),
        duration_s=24.0,
        rng=np.random.default_rng(17),
    )
    finding = find(made.recording, board=demo_board())
    assert finding.verdict in (CANNOT_TELL, NO_HOT_SPOT)
    assert finding.suspects == ()


def test_a_log_without_current_cannot_tell() -> None:
    made = simulated("C18").recording
    off = SwitchLog(
        t_s=np.array([0.0, 6.0]),
        on=np.array([False, False]),
        volts=np.array([0.0, 0.0]),
        amps=np.array([0.0, 0.0]),
    )
    finding = find(replace(made, injection=off), board=demo_board())
    assert finding.verdict == CANNOT_TELL
    assert any("no current" in w for w in finding.warnings)


def test_the_series_part_on_the_way_is_path_not_fault() -> None:
    made = simulated("C8", rail="VSYS", path=("L3",), amps=0.8)
    finding = find(made.recording, board=demo_board())
    assert finding.suspects[0].ref == "C8"
    roles = {s.role for s in finding.spots}
    assert "fault" in roles


def test_a_spot_is_found_without_a_board_and_without_landmarks() -> None:
    finding = find(recording(MADE))
    assert finding.verdict == HOT_SPOT
    assert finding.suspects == ()
    np.testing.assert_allclose(finding.spots[0].xy_px, MADE.xy_px, atol=0.5)
    assert finding.spots[0].peak_k == pytest.approx(MADE.peak_k, rel=0.25)


def test_a_board_without_a_registration_is_no_obstacle() -> None:
    bare = replace(simulated(None, seed=4).recording, landmarks=np.zeros((0, 4)))
    finding = find(bare, board=demo_board())
    assert finding.verdict == NO_HOT_SPOT
    warm = replace(simulated("C18").recording, landmarks=np.zeros((0, 4)))
    assert find(warm, board=demo_board()).verdict == HOT_SPOT


def test_a_constant_added_to_all_frames_changes_nothing() -> None:
    frames = counts(MADE)
    plain = find(recording(MADE, frames))
    raised = find(recording(MADE, (frames + 400).astype(np.uint16)))  # 2 K
    assert raised.verdict == plain.verdict
    np.testing.assert_allclose(raised.spots[0].xy_px, plain.spots[0].xy_px, atol=1e-3)
    assert raised.spots[0].snr == pytest.approx(plain.spots[0].snr, rel=1e-3)
    np.testing.assert_allclose(raised.heat.rise_k, plain.heat.rise_k, atol=1e-4)
    np.testing.assert_allclose(raised.heat.cold, plain.heat.cold + 2.0, atol=1e-3)


@pytest.mark.parametrize("shift", [(3, -5), (-4, 6)])
def test_rolling_the_scene_moves_the_spot(shift: tuple[int, int]) -> None:
    frames = counts(MADE)
    plain = find(recording(MADE, frames))
    rolled = find(recording(MADE, np.roll(frames, shift, axis=(1, 2))))
    moved = rolled.spots[0].xy_px - plain.spots[0].xy_px
    np.testing.assert_allclose(moved, (shift[1], shift[0]), atol=0.15)
    assert rolled.spots[0].snr == pytest.approx(plain.spots[0].snr, rel=0.1)


def test_mirroring_the_scene_mirrors_the_spot() -> None:
    frames = counts(MADE)
    plain = find(recording(MADE, frames))
    mirrored = find(recording(MADE, frames[:, :, ::-1].copy()))
    at = mirrored.spots[0].xy_px
    np.testing.assert_allclose((MADE.cols - 1 - at[0], at[1]), plain.spots[0].xy_px, atol=0.15)


def test_shuffled_parts_name_the_same() -> None:
    made = simulated("C18")
    board = demo_board()
    order = np.random.default_rng(5).permutation(len(board.parts))
    shuffled = replace(board, parts=tuple(board.parts[i] for i in order))
    a, b = find(made.recording, board=board), find(made.recording, board=shuffled)
    assert [s.ref for s in a.suspects] == [s.ref for s in b.suspects]
    np.testing.assert_allclose(
        [s.probability for s in a.suspects], [s.probability for s in b.suspects], atol=1e-6
    )


def test_a_live_view_names_the_part_that_the_recording_names() -> None:
    source = simulated("C18").recording
    live = LiveHeat(source.profile)
    assert source.injection is not None
    for t, on, volts, amps in zip(
        source.injection.t_s,
        source.injection.on,
        source.injection.volts,
        source.injection.amps,
        strict=True,
    ):
        live.switch(bool(on), t_s=float(t), volts=float(volts), amps=float(amps))
    to_values = value_converter(source)
    index = 0
    for chunk in source.source.chunks(64):
        for values in to_values(chunk):
            live.add(values, t_s=float(source.t_s[index]))
            index += 1
    registration = fit_registration(source.landmarks, demo_board())
    now = find_gathered(live.snapshot(), board=demo_board(), rail="3V3", registration=registration)
    batch = find(source, board=demo_board())
    assert [s.ref for s in now.suspects] == [s.ref for s in batch.suspects]
    np.testing.assert_allclose(now.spots[0].xy_px, batch.spots[0].xy_px, atol=0.02)
    np.testing.assert_allclose(
        [s.probability for s in now.suspects], [s.probability for s in batch.suspects], atol=0.01
    )


def test_frames_that_never_change_are_refused_in_one_sentence() -> None:
    frames = np.repeat(counts(MADE)[:1], 90, axis=0)
    still: Recording = replace(
        recording(MADE), source=ArraySource(frames), t_s=np.arange(90) / MADE.rate_hz
    )
    with pytest.raises(RecordingError, match="carry anything new") as error:
        find(still)
    assert error.value.cure


def test_the_finding_is_plain_data_of_format_one() -> None:
    data = finding_to_dict(find(simulated("C18").recording, board=demo_board()))
    assert data["format"] == 1
    assert data["verdict"] == HOT_SPOT
    spot = data["spots"][0]
    assert set(spot) == {
        "thermal_xy_px", "thermal_cov_px2", "snr", "peak_delta_k", "role", "board_xy_mm",
        "board_cov_mm2", "photo_xy_px",
    }  # fmt: skip
    assert np.linalg.eigvalsh(spot["thermal_cov_px2"]).min() > 0
    assert data["frames"]["used"] <= data["frames"]["total"]


def test_progress_runs_from_nothing_to_nearly_all() -> None:
    seen: list[float] = []
    find(recording(MADE), progress=lambda share, what: seen.append(share))
    assert seen[0] == 0.0
    assert seen == sorted(seen)
    assert seen[-1] >= 0.8


def test_off_the_rail_only_clear_heat_is_named() -> None:
    """No current flows there: a wrong rail or a wrong map is told by strong heat alone."""
    weak = simulated("C18", amps=0.1).recording
    assert find(weak, board=demo_board()).verdict == HOT_SPOT
    doubted = find(weak, board=demo_board(), rail="1V8")
    assert doubted.verdict == CANNOT_TELL
    assert doubted.suspects == ()
    assert any("the rail is the right one" in w for w in doubted.warnings)
    clear = find(simulated("C18", amps=0.6).recording, board=demo_board(), rail="1V8")
    assert clear.suspects[0].ref == "C18"
    assert "not on 1V8" in clear.suspects[0].why
    # Without a log it may be a board that cools, whose pads lag behind.
    unlogged = find(
        simulated("C18", amps=0.6, logged=False).recording, board=demo_board(), rail="1V8"
    )
    assert unlogged.verdict == CANNOT_TELL
    assert unlogged.suspects == ()


@pytest.mark.parametrize(("amps", "verdict"), [(0.1, CANNOT_TELL), (0.6, HOT_SPOT)])
def test_near_the_noise_other_parts_tell_what_noise_is(
    amps: float, verdict: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = simulated("C18", amps=amps).recording
    assert find(made, board=demo_board()).verdict == HOT_SPOT
    restless = PartNoise(scale=3.0, tests=5.0)
    monkeypatch.setattr("hotspot.conclude.read_part_noise", lambda *a, **k: restless)
    finding = find(made, board=demo_board())
    assert finding.verdict == verdict
    assert finding.suspects[0].ref == "C18"
    assert (finding.false_alarm_probability > 0.01) == (verdict == CANNOT_TELL)
