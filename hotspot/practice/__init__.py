"""A physical simulator: board, camera and supply twins with known truth.

A scene (`build_scene`) is a board as a heat-conducting plate with parts on it, a loop of supply,
leads, series parts and short, and a thermal camera over it. `simulate_recording` returns a whole
recording with its truth; `PracticeBench` with `PracticeCamera` and `PracticeSupply` runs the same
arithmetic one frame at a time.
"""

from hotspot.practice.bench import PracticeBench
from hotspot.practice.circuit import Circuit, SeriesElement, SupplySetting, measure_circuit
from hotspot.practice.demo_board import build_demo_board, build_demo_copper
from hotspot.practice.hidden import build_hidden_scene
from hotspot.practice.nuisances import Bump, Draught, WarmHand
from hotspot.practice.plate import PlateSettings
from hotspot.practice.recording import (
    SimulatedRecording,
    Switching,
    Truth,
    build_hand_switching,
    simulate_recording,
)
from hotspot.practice.scene import Scene, build_scene
from hotspot.practice.sensor import CameraSettings, build_radiance_curve
from hotspot.practice.twin import PracticeCamera, PracticeSupply

__all__ = [
    "Bump",
    "CameraSettings",
    "Circuit",
    "Draught",
    "PlateSettings",
    "PracticeBench",
    "PracticeCamera",
    "PracticeSupply",
    "Scene",
    "SeriesElement",
    "SimulatedRecording",
    "SupplySetting",
    "Switching",
    "Truth",
    "WarmHand",
    "build_demo_board",
    "build_demo_copper",
    "build_hand_switching",
    "build_hidden_scene",
    "build_radiance_curve",
    "build_scene",
    "measure_circuit",
    "simulate_recording",
]
