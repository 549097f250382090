"""Opening whichever camera the technician chose: practice, replay, USB, network address."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

import numpy as np

from hotspot.board import Board, Kind
from hotspot.checks import FloatArray
from hotspot.devices.camera import Camera, CaptureCamera
from hotspot.devices.replay import ReplayCamera
from hotspot.errors import CameraError
from hotspot.frame import RawFrame
from hotspot.practice import (
    CameraSettings,
    PracticeBench,
    PracticeCamera,
    PracticeSupply,
    Scene,
    build_hidden_scene,
)
from hotspot.practice.scene import map_points
from hotspot.profile import CameraProfile

# The camera of the practice stand: 256 × 192, noisy and drifting as small cameras are; a little
# faster than their usual 30 Hz, so that the rate shown is what the app can do, not the camera.
PRACTICE_CAMERA = CameraSettings(
    name="practice camera",
    width=256,
    height=192,
    frame_rate_hz=36.0,
    netd_mk=60.0,
    scale=0.0625,
    drift_k=0.3,
    drift_time_s=60.0,
)


# A frame that is late by less is caught up with, so that a busy moment does not lower the rate.
MOST_BEHIND_S = 0.2


class CameraKind(StrEnum):
    """Where pictures come from."""

    PRACTICE = "practice camera"
    REPLAY = "recording"
    USB = "USB camera"
    URL = "network address"


@dataclass(frozen=True, slots=True)
class CameraChoice:
    """What to open.

    Attributes
    ----------
    kind
        Which kind.
    address
        Folder of a recording, USB index, or network address; empty for the practice camera.
    seed
        Of the practice stand: another seed, another hidden short.
    taken_off
        Parts that are off the practice board.
    """

    kind: CameraKind
    address: str = ""
    seed: int = 1
    taken_off: tuple[str, ...] = ()


class PracticeStand:
    """A practice board with a hidden short, under a camera that keeps real time.

    Parameters
    ----------
    board
        With rails and nets.
    seed
        Draws rail, part and resistance.
    settings
        Of the camera.
    taken_off
        Parts that are off the board; without its can, what lay under it is seen.
    clock, wait
        Time in s, and how to let it pass.
    """

    def __init__(
        self,
        board: Board,
        *,
        seed: int,
        settings: CameraSettings = PRACTICE_CAMERA,
        taken_off: Sequence[str] = (),
        clock: Callable[[], float] = time.monotonic,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        self._scene = _without_cans(
            build_practice_scene(board, seed=seed, settings=settings), taken_off
        )
        self._bench = PracticeBench(self._scene, rng=np.random.default_rng([seed, 2]))
        self._start_s = clock()
        self._clock, self._wait = clock, wait
        self._camera = PracticeCamera(self._bench, clock=clock)
        self.supply = PracticeSupply(self._bench, clock=clock)
        self._period_s = 1.0 / settings.frame_rate_hz
        self._due_s = clock()
        for ref in taken_off:
            self.take_off(ref)

    @property
    def profile(self) -> CameraProfile:
        """What the camera's numbers mean."""
        return self._camera.profile

    def read(self) -> RawFrame:
        """Return the next frame when it is due."""
        self._due_s += self._period_s
        rest_s = self._due_s - self._clock()
        if rest_s > 0:
            self._wait(rest_s)
        elif rest_s < -MOST_BEHIND_S:
            self._due_s = self._clock()  # the machine was away: go on from here
        return self._camera.read()

    def close(self) -> None:
        """Switch the output off."""
        self.supply.switch_off()

    def take_off(self, ref: str) -> bool:
        """Take a part off the board; return whether the short is gone."""
        circuit = self._bench.circuit
        if (circuit.short_ref or "").casefold() != ref.casefold():
            return False
        self._bench.set_circuit(replace(circuit, short_ohm=float("inf"), burn_open_w=None))
        return True


def _without_cans(scene: Scene, taken_off: Sequence[str]) -> Scene:
    off = {ref.casefold() for ref in taken_off}
    cans = {p.ref for p in scene.board.parts if p.kind is Kind.SHIELD and p.ref.casefold() in off}
    return replace(scene, bodies=tuple(b for b in scene.bodies if b.ref not in cans))


def build_practice_scene(
    board: Board, *, seed: int, settings: CameraSettings = PRACTICE_CAMERA
) -> Scene:
    """Return the scene of a seed; the same seed hides the same short."""
    return build_hidden_scene(board, rng=np.random.default_rng([seed, 1]), camera=settings)


def practice_landmarks(board: Board, *, seed: int) -> FloatArray:
    """Return (n, 4) landmarks of the practice stand: thermal and photo px of the outer parts."""
    return scene_landmarks(build_practice_scene(board, seed=seed))


def scene_landmarks(scene: Scene) -> FloatArray:
    """Return (n, 4) landmarks of a practice scene: thermal and photo px of the outer parts."""
    if scene.photo_from_board is None:
        return np.zeros((0, 4))
    places = np.array([[p.x_mm, p.y_mm] for p in scene.board.parts if p.side != "bottom"])
    outer = sorted({int(np.argmax(places @ d)) for d in ([1, 1], [1, -1], [-1, 1], [-1, -1])})
    picked = places[outer]
    rows: FloatArray = np.c_[
        scene.to_thermal_px(picked), map_points(scene.photo_from_board, picked)
    ]
    return rows


def open_camera(
    choice: CameraChoice, *, board: Board | None = None, profile: CameraProfile | None = None
) -> Camera:
    """Open a camera.

    Parameters
    ----------
    choice
        What to open.
    board
        For the practice stand.
    profile
        What calibration knows of a real camera.

    Raises
    ------
    HotspotError
        If it cannot be opened.
    """
    if choice.kind is CameraKind.PRACTICE:
        if board is None or not board.rails:
            raise CameraError(
                "the practice camera needs a board with rails",
                cure="Open a practice job, or give the job a board pack",
            )
        try:
            return PracticeStand(board, seed=choice.seed, taken_off=choice.taken_off)
        except ValueError as err:
            raise CameraError(f"no short can be hidden on this board: {err}") from err
    if choice.kind is CameraKind.REPLAY:
        from hotspot.files.recordings import load_recording

        return ReplayCamera(load_recording(Path(choice.address)))
    if choice.kind is CameraKind.USB:
        return CaptureCamera(_index(choice.address), profile=profile)
    return CaptureCamera(choice.address, profile=profile)


def open_named_camera(source: str, *, profile: CameraProfile | None = None) -> Camera:
    """Open a camera by what a person types: USB number or device, address, recording folder.

    Raises
    ------
    HotspotError
        If it cannot be opened.
    """
    kind = CameraKind.USB
    if "://" in source:
        kind = CameraKind.URL
    elif Path(source).is_dir():
        kind = CameraKind.REPLAY
    return open_camera(CameraChoice(kind, source), profile=profile)


def _index(text: str) -> int:
    digits = text.strip().removeprefix("/dev/video")
    if not (digits.isascii() and digits.isdigit() and int(digits) < 100):
        raise CameraError("is no USB camera", where=text[:40], cure="Give 0, 1, … or /dev/video0")
    return int(digits)
