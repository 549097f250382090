"""The sample recordings: four evenings at the bench with one board, each with its truth."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hotspot.board import Board
from hotspot.practice.demo_board import build_demo_copper
from hotspot.practice.plate import PlateSettings
from hotspot.practice.recording import (
    SimulatedRecording,
    Switching,
    Truth,
    build_hand_switching,
    simulate_recording,
)
from hotspot.practice.scene import Scene, build_scene
from hotspot.practice.sensor import CameraSettings

# A small camera of the cheaper kind: 160 x 120 pixels, 9 frames a second, 60 mK. A count is 1/16 K,
# as large as the noise: averages are not held back by rounding yet, and files stay small.
SAMPLE_CAMERA = CameraSettings(
    name="practice camera 160",
    width=160,
    height=120,
    frame_rate_hz=9.0,
    netd_mk=60.0,
    scale=0.0625,
    offset=-40.0,
    blur_px=0.7,
    fixed_pattern_mk=30.0,
    column_pattern_mk=15.0,
    flicker_mk=8.0,
    drift_k=0.4,
    drift_time_s=50.0,
    repeat_share=0.02,
    time_jitter_s=0.004,
    bad_pixels=2,
)


@dataclass(frozen=True, slots=True)
class SampleCase:
    """One sample recording, as settings.

    Attributes
    ----------
    name
        Folder name.
    about
        What it shows, one sentence.
    rail, fault, short_ohm, path
        As in `hotspot.practice.scene.build_scene`.
    switching
        What is done with the output.
    duration_s
        Length.
    camera
        The camera.
    seed
        Of all randomness.
    """

    name: str
    about: str
    rail: str
    fault: str | None
    short_ohm: float
    path: tuple[str, ...]
    switching: Switching
    duration_s: float
    camera: CameraSettings
    seed: int


def _pulses() -> Switching:
    """Six pulses by hand, some 7 s on and 7 s off, ±8 %, not logged."""
    rng = np.random.default_rng(20)
    return build_hand_switching(
        first_s=9.5, on_s=7.0, off_s=7.0, pulses=6, sway=0.08, volts=0.5, amps=0.1, rng=rng
    )


SAMPLE_CASES: tuple[SampleCase, ...] = (
    SampleCase(
        name="step",
        about="0.5 A into 3V3 at TP3, switched on once and logged; one shutter event.",
        rail="3V3",
        fault="C18",
        short_ohm=0.12,
        path=(),
        switching=Switching(edges_s=(9.0,), volts=1.0, amps=0.5),
        duration_s=27.0,
        camera=replace(SAMPLE_CAMERA, shutter_s=18.3, shutter_period_s=60.0),
        seed=101,
    ),
    SampleCase(
        name="pulsed",
        about=(
            "0.1 A into 1V8 at TP4, switched by hand six times without a log; the rise stays "
            "below the noise of one frame."
        ),
        rail="1V8",
        fault="C24",
        short_ohm=0.12,
        path=(),
        switching=_pulses(),
        duration_s=96.0,
        camera=SAMPLE_CAMERA,
        seed=102,
    ),
    SampleCase(
        name="healthy",
        about="1 V on 3V3 at TP3, logged; nothing is shorted; one shutter event.",
        rail="3V3",
        fault=None,
        short_ohm=0.0,
        path=(),
        switching=Switching(edges_s=(9.0,), volts=1.0, amps=0.5),
        duration_s=27.0,
        camera=replace(SAMPLE_CAMERA, shutter_s=16.8, shutter_period_s=60.0),
        seed=103,
    ),
    SampleCase(
        name="series",
        about="0.8 A into VSYS at TP1, logged; the inductor on the way gets warm as well.",
        rail="VSYS",
        fault="C8",
        short_ohm=0.05,
        path=("L3",),
        switching=Switching(edges_s=(8.0,), volts=1.0, amps=0.8),
        duration_s=20.0,
        camera=SAMPLE_CAMERA,
        seed=104,
    ),
)


def build_sample_scene(case: SampleCase, board: Board) -> Scene:
    """Return the scene of a sample on the demo board."""
    if board.width_mm is None or board.height_mm is None:
        raise ValueError("board must have width_mm and height_mm")
    plate = PlateSettings(
        width_mm=board.width_mm,
        height_mm=board.height_mm,
        thickness_mm=board.thickness_mm or 1.6,
    )
    return build_scene(
        board,
        rail=case.rail,
        fault=case.fault,
        short_ohm=case.short_ohm,
        path=case.path,
        camera=case.camera,
        plate=plate,
        copper=build_demo_copper(plate.shape),
    )


def simulate_sample(
    case: SampleCase, board: Board, *, duration_s: float | None = None
) -> SimulatedRecording:
    """Return a sample recording; a shorter `duration_s` gives its beginning, frame for frame."""
    simulated = simulate_recording(
        build_sample_scene(case, board),
        case.switching,
        duration_s=case.duration_s if duration_s is None else duration_s,
        rng=np.random.default_rng(case.seed),
        name=case.name,
    )
    recording = replace(simulated.recording, note=case.about)
    return replace(simulated, recording=recording)


def write_sample_readme(truths: tuple[tuple[SampleCase, Truth], ...]) -> str:
    """Return the text that tells what is in the sample folder."""
    lines = [
        "# Sample recordings",
        "",
        "Made by `hotspot practice samples`; the scenario is invented, the physics is not: heat",
        "conducted in the board, parts with contact resistance, Joule heat along the current's",
        "way, a camera with noise, drift, repeated frames, stuck pixels and shutter events.",
        "",
        "The board is a water-level logger (`board/`: outline, rails, a hundred parts, photo). The",
        "camera has 160 × 120 pixels, 9 frames a second, 60 mK noise, 1/16 K a count. The frames",
        "are lossless FFV1 video of 16-bit counts.",
        "",
        "| folder | what was done | shorted | heat in it | peak rise |",
        "| --- | --- | --- | --- | --- |",
    ]
    for case, truth in truths:
        watts = dict(truth.power_w).get(truth.fault or "", 0.0)
        heat = f"{1e3 * watts:.3g} mW" if truth.fault else "–"
        rise = f"{float(truth.rise_k.max()):.2g} K" if truth.fault else "–"
        lines.append(
            f"| `{case.name}/` | {case.about} | {truth.fault or 'nothing'} | {heat} | {rise} |"
        )
    lines += [
        "",
        "`truth.json` in each folder is what the simulator knows and the tool must find out: the",
        "part, its place in mm and in thermal pixels, the power in each part of the loop, when",
        "the output changed, which frames are repeats or lie behind the shutter, and which",
        "pixels are stuck.",
        "`hotspot find` does not read it. A test makes the recordings again and compares.",
        "",
    ]
    return "\n".join(lines)
