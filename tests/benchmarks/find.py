"""Time, memory, and the naive answer beside ours: ``python -m tests.benchmarks.find``.

Three tables are printed. (1) The sample recordings: the part nearest to the warmest pixel of
mean-hot minus mean-cold, and ours. (2) Weak heat: the same on synthetic frames of falling signal.
(3) Time and peak memory for 60 s and 240 s at 25 Hz, 256 x 192, read from disk, each in a process
of its own.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROWS, COLS, RATE_HZ = 192, 256, 25.0
NOISE_K, COLD_S = 0.05, 6.0
SPOT_XY = (171.3, 64.8)


def make_frames(rng, *, seconds, peak_k, start=0, stop=None):
    """Counts (n, rows, cols) of 0.01 K: noise, drift, fixed pattern, one spot from 6 s on."""
    pattern = np.random.default_rng(99).normal(0, 0.6, (ROWS, COLS))
    y, x = np.mgrid[0:ROWS, 0:COLS]
    r2 = (x - SPOT_XY[0]) ** 2 + (y - SPOT_XY[1]) ** 2
    spot = 0.7 * np.exp(-r2 / (2 * 1.6**2)) + 0.3 * np.exp(-np.sqrt(r2) / 9.0)
    t = np.arange(start, int(seconds * RATE_HZ) if stop is None else stop) / RATE_HZ
    warm = peak_k * (1 - np.exp(-np.maximum(t - COLD_S, 0) / 6.0))
    drift = 0.2 * np.sin(t / 23.0)
    kelvin = 24 + pattern + drift[:, None, None] + warm[:, None, None] * spot
    kelvin = kelvin + rng.normal(0, NOISE_K, kelvin.shape).astype(np.float32)
    return np.round((kelvin + 40) / 0.01).astype(np.uint16)


def save_synthetic(folder: Path, *, seconds: float, peak_k: float, seed: int) -> None:
    folder.mkdir(parents=True)
    count = int(seconds * RATE_HZ)
    rng = np.random.default_rng(seed)
    frames = np.lib.format.open_memmap(
        folder / "frames.npy", mode="w+", dtype=np.uint16, shape=(count, ROWS, COLS)
    )
    for first in range(0, count, 50):
        last = min(first + 50, count)
        frames[first:last] = make_frames(
            rng, seconds=seconds, peak_k=peak_k, start=first, stop=last
        )
    frames.flush()
    lines = [f"{i},{i / RATE_HZ:.6f}" for i in range(count)]
    (folder / "frames.csv").write_text("\n".join(["index,t_s", *lines]) + "\n")
    (folder / "injection.csv").write_text(f"t_s,on,volts,amps\n0,0,,\n{COLD_S},1,0.4,1.0\n")
    (folder / "recording.toml").write_text(
        f'format = 1\ncomplete = true\n[camera]\nname = "synthetic"\nwidth = {COLS}\n'
        f'height = {ROWS}\nvalues = "counts"\nscale = 0.01\noffset = -40.0\n'
        f"frame_rate_hz = {RATE_HZ}\n"
    )


def naive_difference(recording):
    """Mean of the frames with current minus mean of those before; first 5 s cold without a log."""
    log = recording.injection
    if log is not None and log.on.any():
        state = log.on[np.clip(np.searchsorted(log.t_s, recording.t_s, "right") - 1, 0, None)]
        hot, cold = state, recording.t_s < log.t_s[np.argmax(log.on)]
    else:
        hot, cold = recording.t_s >= 5.0, recording.t_s < 5.0
    sums, first = {True: 0.0, False: 0.0}, 0
    for chunk in recording.source.chunks(64):
        grey = chunk.mean(axis=3) if chunk.ndim == 4 else chunk
        grey = np.nan_to_num(grey.astype(np.float64))
        part = slice(first, first + len(chunk))
        sums[True] = sums[True] + grey[hot[part]].sum(axis=0)
        sums[False] = sums[False] + grey[cold[part]].sum(axis=0)
        first += len(chunk)
    return sums[True] / max(hot.sum(), 1) - sums[False] / max(cold.sum(), 1)


def naive_pixel(recording) -> np.ndarray:
    difference = naive_difference(recording)
    row, col = np.unravel_index(np.argmax(difference), difference.shape)
    return np.array([col, row], dtype=float)


def naive_part(analysis) -> str:
    plane, board = analysis.finding.registration.board_from_thermal, analysis.board
    if plane is None or board is None:
        return "-"
    x, y = plane.map(naive_pixel(analysis.recording))
    return min(board.parts, key=lambda p: np.hypot(p.x_mm - x, p.y_mm - y)).ref


def compare_samples() -> None:
    from hotspot.cli.demo import sample_recordings
    from hotspot.evidence.words import headline
    from hotspot.jobs.analysis import analyse_recording

    print("\nSample recordings\n")
    print(f"{'recording':<24}{'true part':<12}{'warmest pixel is at':<22}{'ours':<26}{'s':>6}")
    for folder in sample_recordings():
        began = time.perf_counter()
        analysis = analyse_recording(folder)
        took = time.perf_counter() - began
        ours = headline(analysis.finding).replace("\u00a0", " ")
        truth = _truth(folder)
        print(f"{folder.name:<24}{truth:<12}{naive_part(analysis):<22}{ours:<26}{took:>6.1f}")


def _truth(folder: Path) -> str:
    path = folder / "truth.json"
    if not path.is_file():
        return "?"
    return str(json.loads(path.read_text()).get("fault") or "none")


def compare_weak(peaks_k: tuple[float, ...], repeats: int, seconds: float) -> None:
    from hotspot.files.recordings import load_recording
    from hotspot.find import find

    print(f"\nWeak heat, {seconds:g} s, noise of one frame {NOISE_K * 1000:.0f} mK, step at 6 s\n")
    print("peak, mK   peak/noise   naive within 2 px   ours within 2 px   ours: no hot spot")
    with tempfile.TemporaryDirectory() as made:
        for peak_k in peaks_k:
            naive = ours = silent = 0
            for seed in range(repeats):
                folder = Path(made) / f"{peak_k}-{seed}"
                save_synthetic(folder, seconds=seconds, peak_k=peak_k, seed=seed)
                recording = load_recording(folder)
                naive += bool(np.hypot(*(naive_pixel(recording) - SPOT_XY)) < 2)
                finding = find(recording)
                hit = finding.verdict == "hot spot"
                ours += hit and bool(np.hypot(*(finding.spots[0].xy_px - SPOT_XY)) < 2)
                silent += not hit
                (folder / "frames.npy").unlink()
            print(
                f"{peak_k * 1000:8.1f}   {peak_k / NOISE_K:10.2f}   {naive:>8} of {repeats}"
                f"        {ours:>8} of {repeats}       {silent:>8} of {repeats}"
            )


def measure_cost(lengths_s: tuple[float, ...]) -> None:
    print(f"\nTime and peak memory, {COLS} x {ROWS}, {RATE_HZ:g} Hz, read from disk\n")
    print("length, s   frames   load and find, s   of it CPU, s   peak memory, MB   imports, MB")
    for length in lengths_s:
        with tempfile.TemporaryDirectory() as made:
            folder = Path(made) / "recording"
            save_synthetic(folder, seconds=length, peak_k=0.2, seed=1)
            done = subprocess.run(
                [sys.executable, "-m", "tests.benchmarks.find", "--one", str(folder)],
                capture_output=True, text=True, check=True,
            )  # fmt: skip
        one = json.loads(done.stdout)
        print(
            f"{length:9.0f}   {one['frames']:6d}   {one['seconds']:16.2f}"
            f"   {one['cpu_seconds']:11.2f}   {one['peak_mb']:15.0f}   {one['imports_mb']:11.0f}"
        )


def _peak_mb() -> float:
    """Return the peak resident memory of this process.

    Linux hands a parent's peak on to the child in ru_maxrss; VmHWM starts anew with the program.
    """
    status = Path("/proc/self/status")
    if status.is_file():
        line = next(x for x in status.read_text().splitlines() if x.startswith("VmHWM"))
        return float(line.split()[1]) / 1024
    import resource  # POSIX only, like VmHWM

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1024**2 if sys.platform == "darwin" else 1024)


def run_one(folder: Path) -> None:
    from hotspot.files.recordings import load_recording
    from hotspot.find import find

    imports_mb = _peak_mb()
    began, cpu_began = time.perf_counter(), time.process_time()
    recording = load_recording(folder)
    finding = find(recording)
    seconds, cpu_seconds = time.perf_counter() - began, time.process_time() - cpu_began
    report = {
        "frames": len(recording.t_s),
        "seconds": seconds,
        "cpu_seconds": cpu_seconds,
        "peak_mb": _peak_mb(),
        "imports_mb": imports_mb,
        "verdict": finding.verdict,
    }
    print(json.dumps(report))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--one", type=Path, help="measure one recording, print JSON")
    parser.add_argument("--only", choices=("samples", "weak", "cost"), action="append")
    parser.add_argument("--repeats", type=int, default=5)
    arguments = parser.parse_args()
    if arguments.one is not None:
        run_one(arguments.one)
        return
    wanted = arguments.only or ["samples", "weak", "cost"]
    if "samples" in wanted:
        compare_samples()
    if "weak" in wanted:
        compare_weak((0.1, 0.03, 0.015, 0.008, 0.0), arguments.repeats, 40.0)
    if "cost" in wanted:
        measure_cost((60.0, 240.0))


if __name__ == "__main__":
    main()
