"""One case: from a kind and a seed to frames and the truth about them."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.exam import kinds as k
from tests.benchmarks.exam import nuisances, oracle
from tests.benchmarks.exam.camera import View, draw_view, map_points, moved
from tests.benchmarks.exam.noise import SensorNoise, add_flicker, add_white
from tests.benchmarks.exam.physics import build_network
from tests.benchmarks.exam.pictures import Scene, choose_power, noise_model
from tests.benchmarks.exam.plan import Plan, between, draw_plan
from tests.benchmarks.exam.scene import Layout, draw_layout
from tests.benchmarks.exam.timing import Clock, Drive, draw_clock, draw_pulses, draw_step


@dataclass(frozen=True)
class Case:
    """Frames in degrees C as the sensor delivers them, and all that is known of them."""

    kind: str
    seed: int
    layout: Layout
    rail: str
    view: View
    clock: Clock
    drive: Drive
    celsius: NDArray[np.float32]
    noise: SensorNoise
    ambient_c: float
    dead: list[list[int]]
    truth: dict[str, Any]


def draw_level(kind: k.Kind, rng: np.random.Generator) -> nuisances.Level:
    """Return the nuisances of a case."""
    values = {}
    for name, (span, share) in k.USUAL_LEVELS.items():
        there = rng.uniform() < share
        value = between(rng, kind.levels.get(name, span))
        values[name] = value if there or name in kind.levels else 0.0
    return nuisances.Level(**values)


def build_case(name: str, seed: int, *, small: bool = False, snr: float | None = None) -> Case:
    """Return the case of that kind and seed; same seed, same case.

    With `small`, a short recording of a small sensor and coarse cells, for quick tests. With `snr`,
    so much power that the ideal observer has it.
    """
    kind = k.KINDS[name]
    if snr is not None and not kind.cold:
        kind = replace(kind, snr=(snr, 1.001 * snr))
    if small:
        kind = replace(kind, sensors=((80, 60),), duration_s=(12, 14), most_frames=130)
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    size = kind.sensors[int(rng.integers(len(kind.sensors)))]
    reach = {
        80: (0.4, 0.6),
        160: (0.2, 0.5),
        256: (0.14, 0.33),
        384: (0.12, 0.22),
        640: (0.12, 0.14),
    }
    fill = float(rng.uniform(0.82, 0.97))
    wide = between(rng, reach[size[0]]) * size[0] * fill
    wide = float(np.clip(wide, 24, 76))
    high = wide * size[1] / size[0] * float(rng.uniform(0.85, 1.0))
    layout = draw_layout(width_mm=wide, height_mm=high, rng=rng)
    network = build_network(layout, rng=rng, cell_mm=max(0.35, wide / (25 if small else 100)))
    plan = draw_plan(layout, network, kind, rng)
    clock, drive = _draw_times(kind, size, rng)
    level = draw_level(kind, rng)
    noise = _draw_noise(rng)
    view = draw_view(layout, size, fill=fill, rng=rng)
    views = [view]
    bump_s = np.inf
    if level.bump_px > 0:
        angle = rng.uniform(0, 2 * np.pi)
        bump_s = float(rng.uniform(0.1, 0.9) * clock.true_s[-1])
        views.append(moved(view, dx_px=level.bump_px * np.cos(angle), turn_rad=rng.normal(0, 0.003),
                           dy_px=level.bump_px * np.sin(angle)))  # fmt: skip
    scene = Scene(layout, network, plan, views, rng, cold=kind.cold)
    shutter = nuisances.draw_shutter(clock.true_s, every_s=level.shutter_every_s, rng=rng)
    after = clock.true_s >= bump_s
    segment = shutter.segment + 100 * after
    again = nuisances.repeat_frames(
        np.zeros((len(segment), 1)), share=level.repeat_share, frozen=shutter.frozen, rng=rng
    )
    bound, power_w = None, 0.0
    if not kind.cold:
        model = noise_model(
            kind, scene, clock=clock, noise=noise, segment=segment, used=~again, level=level
        )
        bound, power_w = choose_power(
            kind, scene, drive, clock=clock, used=~again, model=model, rng=rng
        )
    frames = scene.frames(drive, clock, after, power_w)
    extra = _add_nuisances(frames, scene, clock, level, shutter, segment, noise, rng)
    add_flicker(frames, slots=clock.slot, n_slots=clock.n_slots, noise=noise, rng=rng)
    add_white(frames, noise=noise, rng=rng)
    dead, blinking = nuisances.break_pixels(frames, share=level.bad_share, rng=rng)
    for at in np.flatnonzero(again):
        frames[at] = frames[at - 1]
    truth = _truth(name, seed, plan, views, power_w, bound, drive, layout)
    truth |= {
        "nuisances": vars(level) | {"shutter_s": list(shutter.times_s), **extra},
        "noise": vars(noise), "bump_s": None if np.isinf(bump_s) else bump_s,
        "repeated": int(again.sum()), "dead_pixels": dead, "blinking_pixels": blinking,
        "peak_delta_k": scene.peak_k * power_w,
    }  # fmt: skip
    return Case(name, seed, layout, layout.rails[0], view, clock, drive, frames, noise,
                scene.ambient_c, dead, truth)  # fmt: skip


def _draw_times(
    kind: k.Kind, size: tuple[int, int], rng: np.random.Generator
) -> tuple[Clock, Drive]:
    duration = between(rng, kind.duration_s)
    most = kind.most_frames
    if size[0] < 640:
        most = min(most, k.MOST_VALUES / (size[0] * size[1]))
    able = [r for r in k.RATES_HZ if r * duration <= most and (size[0] < 640 or r == 9)]
    rate = float(rng.choice(able)) if able else 9.0
    duration = min(duration, max(40.0, most / rate))
    drop = float(rng.choice([0.0, 0.0, 0.02, 0.05]))
    clock = draw_clock(duration_s=duration, rate_hz=rate, drop=drop,
                       jitter_s=float(rng.choice([5e-4, 3e-3, 0.02])), rng=rng)  # fmt: skip
    logged = bool(rng.uniform() < kind.logged)
    draw = draw_pulses if rng.uniform() < kind.pulsed else draw_step
    drive = draw(duration_s=duration, logged=logged, rng=rng)
    if not kind.switched:
        drive = Drive((), None, False)
    return clock, drive


def _draw_noise(rng: np.random.Generator) -> SensorNoise:
    white = between(rng, (0.03, 0.12))
    return SensorNoise(
        white_k=white, flicker_k=white * between(rng, (0.03, 0.25)), slope=between(rng, (0.8, 1.4)),
        row_k=white * between(rng, (0.0, 0.2)), column_k=white * between(rng, (0.0, 0.2)),
        pattern_k=between(rng, (0.02, 0.13)),
    )  # fmt: skip


def _add_nuisances(frames: NDArray, scene: Scene, clock: Clock, level: nuisances.Level,
                   shutter: nuisances.Shutter, segment: NDArray, noise: SensorNoise,
                   rng: np.random.Generator) -> dict[str, Any]:  # fmt: skip
    t = clock.true_s
    shape = frames.shape[1:]
    extra: dict[str, Any] = {}
    ambient = level.ambient_k * nuisances.wander(t, smooth_s=between(rng, (5, 30)), rng=rng)
    frames += ambient.astype(np.float32)[:, None, None] * scene.glow[0]
    frames += nuisances.camera_drift(t, shape=shape, level=level, shutter=shutter, rng=rng)
    if level.draught_k > 0:
        frames += nuisances.draught_picture(t, scene.glow[0], sigma_k=level.draught_k, rng=rng)
    if level.hand_k > 0:
        picture, visits = nuisances.hand_picture(t, 1 - scene.glow[0], peak_k=level.hand_k, rng=rng)
        frames += picture
        extra["hand_s"] = visits
    total = nuisances.fixed_pattern(shape, pattern_k=noise.pattern_k, rng=rng)
    for s in range(int(shutter.segment[-1]) + 1):
        frames[shutter.segment == s] += total.astype(np.float32)
        total = total + nuisances.fixed_pattern(shape, pattern_k=noise.pattern_k, rng=rng)
    return extra


def _truth(name: str, seed: int, plan: Plan, views: list[View], power_w: float,
           bound: oracle.Bound | None, drive: Drive, layout: Layout) -> dict[str, Any]:  # fmt: skip
    hot = bound is not None
    shared = {i.ref: s * power_w for i, s in zip(plan.faults, plan.shares, strict=True)}
    at = [map_points(v.thermal_from_board, np.array(plan.places_mm)) for v in views]
    return {
        "kind": name, "seed": seed, "cold": not hot, "rail": layout.rails[0],
        "faulty": [i.ref for i in plan.faults] if hot else [],
        "source_board_mm": [list(p) for p in plan.places_mm] if hot else [],
        "source_thermal_px": at[0].tolist() if hot else [],
        "source_thermal_px_after_bump": at[-1].tolist() if hot and len(at) > 1 else None,
        "power_w": shared if hot else {},
        "path_power_w": {r: s * power_w for r, s in plan.path.items()} if hot else {},
        "switching": {"edges": [list(e) for e in drive.edges], "logged": drive.logged,
                      "period_s": drive.period_s},
        "oracle": {"snr": bound.snr, "right_probability": bound.right_probability,
                   "crb_px": bound.median_error_px} if bound is not None else None,
        "thermal_from_board": views[0].thermal_from_board.tolist(),
        "others": [i.ref for i in plan.others],
    }  # fmt: skip
