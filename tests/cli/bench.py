"""A small recording and its board pack on disk, with a known short; not the practice simulator."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np

from hotspot.files.boards import save_board
from hotspot.files.recorder import save_recording
from hotspot.frame import ArraySource, Recording, SwitchLog
from hotspot.profile import CameraProfile, Values
from tests.evidence import scene

FAULT = "C17"
COUNT, RATE_HZ, ONSET_S = 200, 10.0, 6.0


def make_frames(board, *, peak_k: float, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    part = board.part(FAULT)
    sx, sy = scene.thermal_from_board().map(np.array([part.x_mm, part.y_mm]))
    y, x = np.mgrid[0 : scene.ROWS, 0 : scene.COLS]
    r = np.hypot(x - sx, y - sy)
    spot = 0.7 * np.exp(-0.5 * (r / 1.6) ** 2) + 0.3 * np.exp(-r / 8)
    cold = 23 + 0.4 * np.sin(x / 17) * np.cos(y / 11)
    t = np.arange(COUNT) / RATE_HZ
    warm = peak_k * (1 - np.exp(-np.maximum(t - ONSET_S, 0) / 4))
    kelvin = cold + warm[:, None, None] * spot + rng.normal(0, 0.05, (COUNT, *x.shape))
    return np.round((kelvin + 40) / 0.01).astype(np.uint16)


def make_bench(folder: Path, *, peak_k: float = 0.6, seed: int = 7) -> Path:
    """Write ``folder/board`` and ``folder/recording``; return the recording."""
    drawn = folder / "drawn"
    drawn.mkdir(parents=True)
    board = scene.make_board(drawn)
    save_board(board, folder / "board")
    shutil.rmtree(drawn)
    points = np.array([[4, 4], [60, 4], [60, 36], [4, 36], [32, 20], [20, 30]], float)
    landmarks = np.c_[scene.thermal_from_board().map(points), scene.photo_xy(points)]
    recording = Recording(
        name="recording",
        profile=CameraProfile(
            "bench camera", scene.COLS, scene.ROWS, Values.COUNTS, scale=0.01, offset=-40.0,
            netd_mk=50, frame_rate_hz=RATE_HZ,
        ),
        t_s=np.arange(COUNT) / RATE_HZ,
        source=ArraySource(make_frames(board, peak_k=peak_k, seed=seed)),
        injection=SwitchLog(
            np.array([0.0, ONSET_S]), np.array([False, True]), np.array([0, 0.4]),
            np.array([0, 1.2]),
        ),
        landmarks=landmarks,
        board=str(folder / "board"),
        rail="VSENSE",
        ambient_c=22.5,
        started="2026-11-20T10:14:00+01:00",
    )  # fmt: skip
    save_recording(recording, folder / "recording", container="npy")
    return folder / "recording"


def copy_bench(bench: Path, to: Path) -> Path:
    """Copy board and recording, to be spoiled."""
    shutil.copytree(bench.parent, to)
    return to / bench.name
