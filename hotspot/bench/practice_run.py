"""A guarded run on the practice bench: supply, camera and short simulated, nobody waits."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from hotspot.bench.cameras import PRACTICE_CAMERA, scene_landmarks
from hotspot.bench.guard import CameraGuard
from hotspot.bench.guarded_run import GuardedReport, Keeping, Protocol, open_book, play
from hotspot.bench.practice import PracticeBenchSupply, build_practice_timing
from hotspot.bench.schedule import Schedule
from hotspot.board import Board, Kind, Role, role_on_rail
from hotspot.errors import InputError
from hotspot.files.tables import save_text
from hotspot.frame import RawFrame
from hotspot.practice import PracticeBench, PracticeCamera, PracticeSupply, Scene, build_scene


def build_rail_scene(board: Board, *, rail: str, short_ohm: float, seed: int) -> Scene:
    """Return a practice scene with a capacitor of `rail` shorted, drawn by lot.

    Raises
    ------
    InputError
        If the board has no such rail, or no capacitor on it to short.
    """
    if board.rail(rail) is None:
        cure = f"Rails of this board: {', '.join(r.name for r in board.rails) or 'none'}"
        raise InputError(f"no rail '{rail}'", where=board.name, cure=cure)
    refs = [
        part.ref
        for part in board.parts
        if part.kind is Kind.CAPACITOR
        and part.side != "bottom"
        and role_on_rail(part, rail=rail, ground=board.ground) is Role.SHUNT
    ]
    if not refs:
        raise InputError(f"no capacitor on rail '{rail}' to short", where=board.name)
    fault = refs[int(np.random.default_rng([seed, 1]).integers(len(refs)))]
    try:
        return build_scene(
            board, rail=rail, fault=fault, short_ohm=short_ohm, camera=PRACTICE_CAMERA
        )
    except ValueError as err:
        raise InputError(f"no practice on this board: {err}", where=board.name) from err


def run_practice(
    scene: Scene, schedule: Schedule, *, seed: int, keep: Keeping, protocol: Protocol
) -> GuardedReport:
    """Run a plan on the practice bench; the answer is in the recording's ``truth.json``.

    Parameters
    ----------
    scene, seed
        What is on the bench, and the source of its noise.
    schedule, keep, protocol
        As for `hotspot.bench.guarded_run.run_guarded`; landmarks are the scene's own.

    Raises
    ------
    HotspotError
        If the recording or log cannot be written.
    """
    bench = PracticeBench(scene, rng=np.random.default_rng([seed, 2]))
    camera = _StillCamera(PracticeCamera(bench))
    guard = CameraGuard(camera, clock=lambda: bench.t_s)
    supply = PracticeBenchSupply(PracticeSupply(bench), bounds=schedule.bounds)
    keep = replace(keep, landmarks=scene_landmarks(scene), rail=scene.rail)

    def take(frame: RawFrame) -> None:
        guard.take(frame)
        if guard.tape is not None:
            guard.tape.wait_for_room()  # the bench's time stands still meanwhile

    with open_book(guard, keep, profile=camera.profile) as book:
        timing = build_practice_timing(bench, camera=camera.inner, show=take)
        timing.wait(0.0)  # the first frame
        report = play(supply, schedule, guard=guard, book=book, protocol=protocol, timing=timing)
    if keep.record is not None:
        _save_truth(scene, keep.record)
    return book.report(report)


def _save_truth(scene: Scene, folder: Path) -> None:
    truth = {
        "fault": scene.circuit.short_ref,
        "short_ohm": scene.circuit.short_ohm,
        "rail": scene.rail,
        "thermal_from_board": scene.thermal_from_board.tolist(),
    }
    save_text(json.dumps(truth, indent=1) + "\n", folder / "truth.json")


class _StillCamera:
    """The practice camera as a `Camera`; whoever holds the clock hands its frames over."""

    def __init__(self, inner: PracticeCamera) -> None:
        self.inner = inner
        self.profile = inner.profile
        self.read = inner.read

    def close(self) -> None:
        """Let go of nothing."""
