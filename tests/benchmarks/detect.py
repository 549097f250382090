"""How near to the limit: ``python -m tests.benchmarks.detect``.

Practice scenes on the demo board, their current set so that the ideal observer (`oracle`) reaches
a given SNR: step and pulse train, logged and not, two cameras. Printed for each kind and SNR: how
often the right part came first, how often the verdict was "hot spot", the median position error
over the bound (not less than 0.1 px), how many 95 % ellipses hold the truth; then false alarms on
cold recordings, shutters and a mirrored hand among them; then what general-purpose detectors make
of the same scenes, told the switching times; then the cost of a frame, live and at once.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hotspot.board import Board, Role, role_on_rail
from hotspot.files.boards import load_board
from hotspot.find import find
from hotspot.finding import HOT_SPOT
from hotspot.heat.live import LiveHeat
from hotspot.heat.values import value_converter
from hotspot.practice import (
    CameraSettings,
    PracticeBench,
    SimulatedRecording,
    SupplySetting,
    Switching,
    WarmHand,
    build_scene,
    simulate_recording,
)
from tests.benchmarks.alternatives import ALTERNATIVES, averaged_difference
from tests.benchmarks.oracle import Bound, bound_of, noise_covariance

RAIL = "3V3"
FAULTS = ("C18", "C13", "C11", "C17", "C14")
UNIT_A = 0.1
FLOOR_PX = 0.1
CHI2_95 = 5.991  # two degrees of freedom
BIN_S = 0.5
CAMERAS = {
    "80x60": CameraSettings(
        width=80, height=60, netd_mk=80, blur_px=0.6, flicker_mk=8, scale=0.03, drift_k=0.4,
        row_noise_mk=4, column_noise_mk=4,
    ),
    "160x120": CameraSettings(
        width=160, height=120, netd_mk=50, blur_px=0.7, flicker_mk=8, scale=0.03, drift_k=0.4,
        row_noise_mk=4, column_noise_mk=4, repeat_share=0.02,
    ),
}  # fmt: skip
TRAIN = tuple(5.0 + 3.5 * i for i in range(10))
KINDS = {
    "step, logged": ((8.0,), True, 24.0),
    "step, by hand": ((8.0,), False, 24.0),
    "train, logged": (TRAIN, True, 42.0),
    "train, by hand": (TRAIN, False, 42.0),
}


@dataclass(frozen=True)
class Scene:
    """One scene made, with its bound."""

    made: SimulatedRecording
    bound: Bound
    kind: str
    camera: str


@cache
def demo_board() -> Board:
    return load_board(Path(__file__).resolve().parents[2] / "sample_frames" / "board")


def scene_of(camera: CameraSettings, fault: str | None, hands: tuple[WarmHand, ...] = ()):
    return build_scene(
        demo_board(), rail=RAIL, fault=fault, short_ohm=0.12, camera=camera, hands=hands
    )


@cache
def unit_rise(camera_name: str, fault: str, edges_s: tuple[float, ...], seconds: float) -> tuple:
    """Noise-free rise (bins, rows, cols) at `UNIT_A`, its times, and the cold picture."""
    bench = PracticeBench(scene_of(CAMERAS[camera_name], fault), rng=np.random.default_rng(0))
    cold = bench.apparent_c()
    t_s = np.arange(BIN_S / 2, seconds, BIN_S)
    events = sorted([(t, False) for t in t_s] + [(t, True) for t in edges_s])
    on, pictures = False, []
    for t, is_edge in events:
        bench.advance_to(t)
        if is_edge:
            on = not on
            bench.set_supply(SupplySetting(1.0, UNIT_A, on))
        else:
            pictures.append(bench.apparent_c() - cold)
    return np.array(pictures), t_s, cold


def make_scene(kind: str, camera_name: str, fault: str, snr: float, seed: int) -> Scene:
    edges_s, logged, seconds = KINDS[kind]
    camera = CAMERAS[camera_name]
    rise, t_s, cold = unit_rise(camera_name, fault, edges_s, seconds)
    covariance = noise_covariance(
        t_s,
        frames=camera.frame_rate_hz * BIN_S * (1 - camera.repeat_share),
        white_k=float(np.hypot(1e-3 * camera.netd_mk, camera.scale / np.sqrt(12))),
        flicker_k=1e-3 * camera.flicker_mk,
    )
    unit = bound_of(rise, covariance, cold=cold)
    factor = snr / unit.snr  # heat goes with the square of the current
    bound = replace(unit, snr=snr, median_error_px=unit.median_error_px / factor)
    made = simulate_recording(
        scene_of(camera, fault),
        Switching(edges_s=edges_s, volts=5.0, amps=UNIT_A * float(np.sqrt(factor)), logged=logged),
        duration_s=seconds,
        rng=np.random.default_rng(seed),
    )
    return Scene(made=made, bound=bound, kind=kind, camera=camera_name)


def warm_scenes(snrs: tuple[float, ...], seeds: int) -> Iterator[Scene]:
    for kind in KINDS:
        for c, camera in enumerate(CAMERAS):
            for i, snr in enumerate(snrs):
                for seed in range(seeds):
                    fault = FAULTS[(seed + i + c) % len(FAULTS)]
                    yield make_scene(kind, camera, fault, snr, seed=1000 * i + 10 * seed + c)


def cold_recordings(seeds: int) -> Iterator[tuple[str, SimulatedRecording]]:
    hand = WarmHand(
        temperature_c=34.0, from_s=7.0, to_s=20.0, start_px=(10, 12), end_px=(60, 40), size_px=12.0
    )
    shutter = {"shutter_s": 11.0, "shutter_period_s": 60.0}
    for seed in range(seeds):
        for name, base in CAMERAS.items():
            for logged in (True, False):
                for what, camera, hands in (
                    ("quiet", base, ()),
                    ("shutter event", replace(base, **shutter), ()),
                    ("mirrored hand", base, (hand,)),
                ):
                    yield (
                        f"{what}, {'logged' if logged else 'by hand'}",
                        simulate_recording(
                            scene_of(camera, None, hands),
                            Switching(edges_s=(8.0,), volts=1.0, amps=0.3, logged=logged),
                            duration_s=24.0,
                            rng=np.random.default_rng(7000 + 10 * seed + len(name)),
                        ),
                    )


def frames_of(made: SimulatedRecording) -> NDArray[np.float32]:
    recording = made.recording
    to_values = value_converter(recording)
    return np.concatenate([to_values(chunk) for chunk in recording.source.chunks(64)])


def nearest_part(made: SimulatedRecording, xy: tuple[float, float] | None) -> str | None:
    """The candidate on the rail nearest to a point, by the true registration."""
    if xy is None:
        return None
    board = demo_board()
    at = np.linalg.solve(made.truth.thermal_from_board, [xy[0], xy[1], 1.0])
    at = at[:2] / at[2]
    candidates = [
        p
        for p in board.parts
        if role_on_rail(p, rail=RAIL, ground=board.ground) in (Role.SHUNT, Role.LOAD)
    ]
    return min(candidates, key=lambda p: float(np.hypot(p.x_mm - at[0], p.y_mm - at[1]))).ref


def share(hits: list[bool]) -> str:
    return f"{sum(hits):>3}/{len(hits):<3}"


def measure_warm(snrs: tuple[float, ...], seeds: int) -> None:
    ours = defaultdict(list)
    others = defaultdict(list)
    took_s, frames = 0.0, 0
    for scene in warm_scenes(snrs, seeds):
        made, truth = scene.made, scene.made.truth
        began = time.perf_counter()
        finding = find(made.recording, board=demo_board())
        took_s += time.perf_counter() - began
        frames += len(made.recording.t_s)
        fault = [s for s in finding.spots if s.role == "fault"] or list(finding.spots[:1])
        error = inside = None
        if fault:
            miss = fault[0].xy_px - np.array(truth.fault_xy_px)
            error = float(np.hypot(*miss))
            inside = float(miss @ np.linalg.solve(fault[0].cov_px2, miss)) < CHI2_95
        first = finding.suspects[0].ref if finding.suspects else None
        row = (
            finding.verdict == HOT_SPOT,
            first == truth.fault,
            None if error is None else error / max(scene.bound.median_error_px, FLOOR_PX),
            inside,
        )
        ours[scene.kind, scene.bound.snr].append(row)
        difference = averaged_difference(frames_of(made), made.recording.t_s, truth.edges_s)
        for name, detector in ALTERNATIVES.items():
            others[name, scene.bound.snr].append(
                nearest_part(made, detector(difference)) == truth.fault
            )
        others["ours", scene.bound.snr].append(row[0] and row[1])
    print("\nFound and named, by the ideal observer's SNR\n")
    print(f"{'kind':<16}{'SNR':>5}   hot spot  right part   error/bound   in 95 % ellipse")
    for (kind, snr), rows in ours.items():
        errors = [r[2] for r in rows if r[2] is not None]
        inside = [r[3] for r in rows if r[3] is not None]
        ratio = f"{np.median(errors):11.2f}" if errors else f"{'-':>11}"
        print(
            f"{kind:<16}{snr:5.0f}   {share([r[0] for r in rows])}   {share([r[1] for r in rows])}"
            f"   {ratio}   {share(inside) if inside else '-':>12}"
        )
    print("\nRight part, beside detectors that were told the switching times\n")
    print(f"{'':<22}" + "".join(f"{'SNR ' + format(s, '.0f'):>10}" for s in snrs))
    for name in ("ours", *ALTERNATIVES):
        print(f"{name:<22}" + "".join(f"{share(others[name, s]):>10}" for s in snrs))
    print(f"\nAll at once: {1e3 * took_s / max(frames, 1):.2f} ms a frame")


def measure_cold(seeds: int) -> None:
    ours = defaultdict(list)
    others = defaultdict(list)
    for what, made in cold_recordings(seeds):
        finding = find(made.recording, board=demo_board())
        ours[what].append(finding.verdict == HOT_SPOT)
        difference = averaged_difference(frames_of(made), made.recording.t_s, (8.0,))
        for name, detector in ALTERNATIVES.items():
            others[name].append(detector(difference) is not None)
    print("\nFalse alarms where nothing is shorted\n")
    for what, alarms in ours.items():
        print(f"{what:<26}{share(alarms)}")
    print(f"{'ours, all':<26}{share([a for alarms in ours.values() for a in alarms])}")
    for name, alarms in others.items():
        print(f"{name:<26}{share(alarms)}")


def measure_live() -> None:
    print("\nLive, one frame, ms: median, 99 %, largest of 1500 (and the picture for the eye)\n")
    rng = np.random.default_rng(1)
    for cols, rows in ((160, 120), (256, 192), (640, 512)):
        camera = CameraSettings(width=cols, height=rows)
        pictures = rng.normal(25, 0.05, (24, rows, cols)).astype(np.float32)
        live = LiveHeat(camera.to_profile())
        add_ms, eye_ms = [], []
        for i in range(1500):
            began = time.perf_counter()
            live.add(pictures[i % 24], t_s=i / 25)
            between = time.perf_counter()
            live.rise_k()
            add_ms.append(1e3 * (between - began))
            eye_ms.append(1e3 * (time.perf_counter() - between))
        print(
            f"{cols} x {rows:<6}{np.median(add_ms):8.2f}{np.quantile(add_ms, 0.99):8.2f}"
            f"{max(add_ms):8.2f}   ({np.median(eye_ms):.2f})"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--only", choices=("warm", "cold", "live"), action="append")
    parser.add_argument("--seeds", type=int, default=1, help="scenes a cell, cold ones a kind")
    parser.add_argument("--snr", type=float, nargs="+", default=[6.0, 10.0, 20.0, 60.0])
    arguments = parser.parse_args()
    wanted = arguments.only or ["live", "cold", "warm"]
    if "live" in wanted:
        measure_live()
    if "cold" in wanted:
        measure_cold(arguments.seeds)
    if "warm" in wanted:
        measure_warm(tuple(arguments.snr), arguments.seeds)


if __name__ == "__main__":
    main()
