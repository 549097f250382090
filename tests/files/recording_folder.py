"""Small recording folders written by other code than ours, for the reader's tests."""

from __future__ import annotations

from pathlib import Path

import numpy as np

ROWS, COLS = 19, 26


def counts(n: int = 12, *, rows: int = ROWS, cols: int = COLS, seed: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return rng.integers(0, 65536, (n, rows, cols)).astype(np.uint16)


def write_toml(folder: Path, *, values: str = "counts", complete: str = "true", extra: str = "",
               camera: str = "scale = 0.01\noffset = -273.15\n",
               width: int = COLS, height: int = ROWS) -> None:  # fmt: skip
    folder.mkdir(parents=True, exist_ok=True)
    text = f"format = 1\n{extra}"
    if complete:
        text += f"complete = {complete}\n"
    text += f'[camera]\nname = "bench"\nwidth = {width}\nheight = {height}\nvalues = "{values}"\n'
    (folder / "recording.toml").write_text(text + camera, encoding="utf-8")


def write_times(folder: Path, n: int, *, dt_s: float = 0.04) -> None:
    lines = [f"{i},{i * dt_s:.3f}" for i in range(n)]
    (folder / "frames.csv").write_text("index,t_s\n" + "\n".join(lines) + "\n", encoding="utf-8")


def npy_recording(folder: Path, frames: np.ndarray | None = None, **toml: object) -> Path:
    frames = counts() if frames is None else frames
    write_toml(folder, **toml)  # type: ignore[arg-type]
    write_times(folder, len(frames))
    np.save(folder / "frames.npy", frames)
    return folder
