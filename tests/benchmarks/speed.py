"""What waits how long: ``python -m tests.benchmarks.speed [--runs 3] [--only find live …]``.

Prints a table: time on the clock and processor time (the best of a few runs), and how many times
the processor time of two others that is: of the memory floor (a plain copy of the same frames or
picture) and of general alternatives which do a part of the job, such as numpy's difference of two
means, smoothed by scipy or searched by scikit-image, or an OpenCV overlay. Other programs make the
clock run longer, hence processor times in the ratios and the load on top. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter
from skimage.feature import blob_log
from skimage.transform import warp

from hotspot.bench.picture import RisePicture
from hotspot.cli.demo import sample_recordings
from hotspot.evidence.overlay import build_layer
from hotspot.files.recordings import load_recording
from hotspot.find import find, find_gathered
from hotspot.heat.live import LiveHeat
from hotspot.heat.values import value_converter
from hotspot.jobs.analysis import analyse_recording
from tests.benchmarks.find import COLD_S, COLS, RATE_HZ, ROWS, make_frames, save_synthetic

SECONDS = 60.0


@dataclass(frozen=True)
class Cost:
    """Seconds on the clock and seconds of processor time, child processes included."""

    clock_s: float
    cpu_s: float

    def over(self, count: float) -> Cost:
        return Cost(self.clock_s / count, self.cpu_s / count)


@dataclass(frozen=True)
class Row:
    """One line of the table: cost of it, of the floor, and of alternatives by name."""

    what: str
    ours: Cost
    floor: Cost | None = None
    others: dict[str, Cost] = field(default_factory=dict)
    note: str = ""


def best(act: Callable[[], object], runs: int, *, times: int = 1) -> Cost:
    """Return the least cost of one act, each run doing it `times` times."""
    clock, cpu = [], []
    for _ in range(runs):
        began, spent = time.perf_counter(), sum(os.times()[:4])
        for _ in range(times):
            act()
        clock.append(time.perf_counter() - began)
        cpu.append(sum(os.times()[:4]) - spent)
    return Cost(min(clock), min(cpu)).over(times)


def copied(frames: np.ndarray) -> Cost:
    out = np.empty_like(frames)
    times = max(1, int(2e9 / frames.nbytes))  # os.times counts in hundredths of a second
    return best(lambda: np.copyto(out, frames), 2, times=times)


def finding_rows(folder: Path, runs: int) -> Iterator[Row]:
    recorded = folder / "recording"
    frames = np.load(recorded / "frames.npy")
    cold = int(COLD_S * RATE_HZ)

    def difference() -> np.ndarray:
        hot = frames[cold:].mean(axis=0, dtype=np.float32)
        return hot - frames[:cold].mean(axis=0, dtype=np.float32)

    ours = best(lambda: find(load_recording(recorded)), runs)
    others = {
        "numpy mean difference": best(difference, runs),
        "with scipy gaussian_filter": best(lambda: gaussian_filter(difference(), 1.5), runs),
        "with skimage blob_log": best(lambda: blob_log(difference(), max_sigma=4), runs),
    }
    yield Row(
        f"`find`, {SECONDS:.0f} s of {COLS} × {ROWS} at {RATE_HZ:.0f} Hz", ours,
        copied(frames), others, f"{SECONDS / ours.clock_s:.0f} × real time",
    )  # fmt: skip
    for sample in sample_recordings():
        recording = load_recording(sample)
        frames = np.concatenate(list(recording.source.chunks(64)))
        took = best(lambda folder=sample: analyse_recording(folder), runs)
        length = float(recording.t_s[-1] - recording.t_s[0])
        cols, rows = recording.profile.width, recording.profile.height
        yield Row(
            f"`find`, sample `{sample.name}`: {length:.0f} s of {cols} × {rows}, registration "
            "and naming included", took, copied(frames), {},
            f"{length / took.clock_s:.0f} × real time",
        )  # fmt: skip


def live_rows(folder: Path, runs: int) -> Iterator[Row]:
    recording = load_recording(folder / "recording")
    profile = recording.profile
    raw = make_frames(np.random.default_rng(2), seconds=20.0, peak_k=0.2)
    to_values = value_converter(recording)
    t_s = np.arange(len(raw)) / RATE_HZ
    heat, rise = LiveHeat(profile), RisePicture()
    rise.begin_baseline(0.0)

    def watch() -> None:
        for k, frame in enumerate(raw):
            values = to_values(frame[None])[0]
            heat.add(values, t_s=float(t_s[k]) + watch.offset_s)
            rise.add(values, t_s=float(t_s[k]) + watch.offset_s)
        watch.offset_s += len(raw) / RATE_HZ

    watch.offset_s = 0.0  # type: ignore[attr-defined]
    heat.switch(True, t_s=COLD_S)
    took = best(watch, max(2, runs)).over(len(raw))
    one = to_values(raw[:1])[0]
    smoothed = one.copy()
    others = {
        "cv2.accumulateWeighted": best(
            lambda: cv2.accumulateWeighted(one, smoothed, 0.1), runs, times=5000
        ),
        "scipy gaussian_filter": best(lambda: gaussian_filter(one, 1.5), runs, times=200),
    }
    floor = copied(one)
    yield Row(
        f"live: one frame of {COLS} × {ROWS} taken in", took, floor, others,
        f"{100 * took.cpu_s * RATE_HZ:.0f} % of one core at {RATE_HZ:.0f} Hz",
    )  # fmt: skip
    took = best(lambda: find_gathered(heat.snapshot()), runs)
    yield Row(f"live: the answer after {watch.offset_s:.0f} s", took, note="in its own process")


def overlay_row(runs: int) -> Row:
    analysis = analyse_recording(next(p for p in sample_recordings() if p.name == "step"))
    finding, board = analysis.finding, analysis.board
    plane = finding.registration.photo_from_thermal
    assert plane is not None
    assert board is not None
    assert board.photo is not None
    photo = cv2.imread(str(board.photo))
    rows, cols = photo.shape[:2]
    matrix = plane.matrix

    def ours() -> object:
        return build_layer(
            finding.heat, picture_from_thermal=plane, shape=(rows, cols), spots=finding.spots
        )

    heat = np.nan_to_num(finding.heat.rise_k).astype(np.float32)

    def opencv() -> object:
        laid = cv2.warpPerspective(heat, matrix, (cols, rows), flags=cv2.INTER_CUBIC)
        grey = cv2.normalize(laid, None, 0, 255, cv2.NORM_MINMAX, cv2.CV_8U)
        return cv2.addWeighted(photo, 0.5, cv2.applyColorMap(grey, cv2.COLORMAP_INFERNO), 0.5, 0)

    def skimage() -> object:
        return warp(heat, np.linalg.inv(matrix), output_shape=(rows, cols), order=3)

    layer = np.zeros((rows, cols, 4), np.float32)
    return Row(
        f"overlay on the photo, {cols} × {rows}", best(ours, runs, times=10), copied(layer),
        {
            "OpenCV warp and blend": best(opencv, runs, times=20),
            "skimage warp": best(skimage, runs, times=3),
        },
    )  # fmt: skip


def command_rows(folder: Path, runs: int) -> Iterator[Row]:
    def run(*words: str) -> Callable[[], object]:
        return lambda: subprocess.run(
            [sys.executable, *words], check=True, capture_output=True, cwd=folder,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])},
        )  # fmt: skip

    bare = {"python -c pass": best(run("-c", "pass"), runs, times=5)}
    yield Row("`hotspot --help`", best(run("-m", "hotspot", "--help"), runs, times=5), None, bare)
    took = best(run("-m", "hotspot", "demo", "--out", str(folder / "demo")), 1)
    yield Row(f"`hotspot demo`, {len(sample_recordings())} recordings with evidence", took)


def app_rows(folder: Path) -> Iterator[Row]:
    from tests.app.browser import bench_server, chromium

    began = time.perf_counter()
    with bench_server(folder) as address, chromium() as browser:
        ready = time.perf_counter() - began
        yield Row("`hotspot bench`: command to server ready", Cost(ready, np.nan))
        page: Any = browser.new_page(viewport={"width": 1366, "height": 768})
        page.set_default_timeout(60_000)
        for visit in ("first", "second"):
            began = time.perf_counter()
            page.goto(address)
            page.get_by_role("heading").first.wait_for()
            seen = time.perf_counter() - began
            yield Row(f"`hotspot bench`: page opened, {visit} visit", Cost(seen, np.nan))


def shown(seconds: float) -> str:
    if np.isnan(seconds):
        return "–"
    for unit, factor in (("s", 1.0), ("ms", 1e3), ("µs", 1e6)):
        if seconds * factor >= 1.0:
            return f"{seconds * factor:.3g} {unit}"
    return f"{seconds * 1e9:.0f} ns"


def print_row(row: Row) -> None:
    def times(other: Cost) -> str:
        return f"{row.ours.cpu_s / max(other.cpu_s, 1e-9):.3g} ×"

    floor = "–" if row.floor is None else times(row.floor)
    others = ", ".join(f"{times(cost)} {name}" for name, cost in row.others.items())
    clock, cpu = shown(row.ours.clock_s), shown(row.ours.cpu_s)
    print(f"| {row.what} | {clock} | {cpu} | {floor} | {others or '–'} | {row.note} |", flush=True)


def main() -> None:
    kinds = {
        "commands": command_rows,
        "find": finding_rows,
        "live": live_rows,
        "overlay": lambda folder, runs: iter([overlay_row(runs)]),
        "app": lambda folder, runs: app_rows(folder),
    }
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--only", choices=kinds, nargs="+", default=list(kinds))
    arguments = parser.parse_args()
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    print(f"{os.cpu_count()} cores{load}\n")
    print("| what | clock | processor | over a copy | over alternatives | |")
    print("| --- | --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory(prefix="hotspot-speed-") as made:
        folder = Path(made)
        save_synthetic(folder / "recording", seconds=SECONDS, peak_k=0.2, seed=1)
        for kind in arguments.only:
            for row in kinds[kind](folder, arguments.runs):
                print_row(row)


if __name__ == "__main__":
    main()
