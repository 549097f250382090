"""Cases to folders: KIND-SEED/{recording, board, truth.json}, in open formats."""

from __future__ import annotations

import csv
import json
import shutil
import time
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from tests.benchmarks.exam import display
from tests.benchmarks.exam.camera import map_points
from tests.benchmarks.exam.case import Case, build_case
from tests.benchmarks.exam.kinds import KINDS
from tests.benchmarks.exam.photo import draw_photo
from tests.benchmarks.exam.scene import NOMINAL_V

ZERO_C = 273.15


def make_case(name: str, seed: int, folder: Path, snr: float | None = None) -> str:
    """Build and write a case, at an ideal SNR if one is given; return a line about it."""
    start = time.perf_counter()
    part = folder.with_name(folder.name + ".part")  # a broken run leaves no half case behind
    shutil.rmtree(part, ignore_errors=True)
    case = build_case(name, seed, snr=snr)
    write_case(case, part)
    part.rename(folder)
    bound = case.truth["oracle"]
    what = f"snr {bound['snr']:.1f}, {case.truth['power_w']}" if bound else "cold"
    frames = "x".join(str(n) for n in case.celsius.shape)
    return f"{folder.name:<24} {frames:<14} {what}  {time.perf_counter() - start:.1f} s"


def write_case(case: Case, folder: Path, *, photo_width_px: int = 1200) -> None:
    """Write recording, board pack and, beside them, the truth."""
    rng = np.random.default_rng([case.seed, 77])
    kind = KINDS[case.kind]
    recording, board = folder / "recording", folder / "board"
    recording.mkdir(parents=True)
    board.mkdir()
    photo, photo_from_board = draw_photo(case.layout, rng=rng, width_px=photo_width_px)
    _write_board(case, board, photo, photo_from_board, rng)
    camera = _write_frames(case, recording, kind.display, rng)
    truth = dict(case.truth)
    truth["camera"] = camera
    _write_csv(recording / "frames.csv", ("index", "t_s"),
               ((k, f"{t:.6f}") for k, t in enumerate(case.clock.noted_s)))  # fmt: skip
    if case.drive.logged:
        _write_log(case, recording, rng)
    if kind.landmarks:
        truth["landmarks"] = _write_landmarks(case, recording, photo_from_board, rng)
    if case.dead and rng.uniform() < 0.3:
        _write_csv(recording / "bad_pixels.csv", ("x", "y"), case.dead)
        camera["bad_pixels"] = "bad_pixels.csv"
    if rng.uniform() < 0.7:
        camera["netd_mk"] = round(case.noise.white_k * 1e3 * rng.uniform(0.8, 1.2), 1)
    if rng.uniform() < 0.6:
        camera["psf_sigma_px"] = round(case.view.psf_sigma_px * rng.uniform(0.9, 1.1), 3)
    if rng.uniform() < 0.7:
        camera["frame_rate_hz"] = round(1 / float(np.median(np.diff(case.clock.true_s))), 2)
    top = {"format": 1, "board": "../board", "rail": case.rail, "complete": True}
    if rng.uniform() < 0.6:
        top["ambient_c"] = round(case.ambient_c, 1)
    (recording / "recording.toml").write_text(_toml(top) + "\n[camera]\n" + _toml(camera))
    truth["photo_from_board"] = photo_from_board.tolist()
    (folder / "truth.json").write_text(json.dumps(truth, indent=1, default=_plain) + "\n")


def _plain(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else str(value)


def _toml(table: dict[str, Any]) -> str:
    lines = []
    for key, value in table.items():
        if isinstance(value, dict):
            inside = ", ".join(f"{k} = {json.dumps(v, default=_plain)}" for k, v in value.items())
            lines.append(f"{key} = {{{inside}}}")
        else:
            lines.append(f"{key} = {json.dumps(value, default=_plain)}")
    return "\n".join(lines) + "\n"


def _write_csv(path: Path, header: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    with path.open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


def _write_board(case: Case, folder: Path, photo: NDArray, photo_from_board: NDArray,
                 rng: np.random.Generator) -> None:  # fmt: skip
    layout = case.layout
    head = {
        "format": 1, "name": f"exam-{case.seed}", "width_mm": round(layout.width_mm, 3),
        "height_mm": round(layout.height_mm, 3), "thickness_mm": layout.thickness_mm,
        "copper_layers": 4, "copper_um": 35.0, "ground": ["GND"],
    }  # fmt: skip
    text = _toml(head)
    for rail in layout.rails:
        x, y = layout.inject_mm[rail]
        at = {"x_mm": round(x, 2), "y_mm": round(y, 2)}
        text += "\n[[rails]]\n" + _toml(
            {"name": rail, "nominal_v": NOMINAL_V[rail], "inject_at": at}
        )
    (folder / "board.toml").write_text(text)
    header = ("ref", "kind", "package", "x_mm", "y_mm", "width_mm", "height_mm", "rotation_deg",
              "side", "nets")  # fmt: skip
    _write_csv(folder / "parts.csv", header, (
        (i.ref, i.kind, i.package, i.x_mm, i.y_mm, round(i.width_mm, 3), round(i.height_mm, 3),
         i.turn_deg, "top", ";".join(i.nets)) for i in layout.items
    ))  # fmt: skip
    cv2.imwrite(str(folder / "photo.png"), photo[..., ::-1])
    w, h = layout.width_mm, layout.height_mm
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]], dtype=float)
    seen = map_points(photo_from_board, corners) + rng.normal(0, 0.7, (4, 2))
    _write_csv(folder / "photo_landmarks.csv",
               ("board_x_mm", "board_y_mm", "photo_x_px", "photo_y_px"),
               np.hstack([corners, seen]).round(3).tolist())  # fmt: skip


def _write_log(case: Case, folder: Path, rng: np.random.Generator) -> None:
    amps = round(float(rng.uniform(0.05, 1.5)), 3)
    volts = round(float(rng.uniform(0.05, 0.8)), 4)
    late = float(rng.uniform(0, 0.06))
    rows: list[tuple] = [("0.000", 0, 0.0, 0.0)]
    for at, change in case.drive.edges:
        on = int(change > 0)
        rows.append((f"{at + late:.3f}", on, volts * on, amps * on))
    _write_csv(folder / "injection.csv", ("t_s", "on", "volts", "amps"), rows)


def _write_landmarks(case: Case, folder: Path, photo_from_board: NDArray,
                     rng: np.random.Generator) -> list[list[float]]:  # fmt: skip
    """Click on part corners spread over the picture, with the hand's error on both sides."""
    n = int(rng.integers(4, 9))
    items = [case.layout.items[i] for i in rng.permutation(len(case.layout.items))]
    corners = [(i.x_mm - i.extent_mm[0] / 2, i.y_mm - i.extent_mm[1] / 2) for i in items]
    w, h = case.layout.width_mm, case.layout.height_mm
    quarters = [
        (0.12 * w, 0.12 * h),
        (0.88 * w, 0.12 * h),
        (0.88 * w, 0.88 * h),
        (0.12 * w, 0.88 * h),
    ]
    chosen = []
    for x, y in quarters:
        chosen.append(min(corners, key=lambda c: (c[0] - x) ** 2 + (c[1] - y) ** 2))
        corners.remove(chosen[-1])
    board = np.array([*chosen, *corners[: n - 4]])
    spread = float(rng.uniform(0.5, 1.5))
    thermal = map_points(case.view.thermal_from_board, board) + rng.normal(0, spread, board.shape)
    photo = map_points(photo_from_board, board) + rng.normal(0, 1.5, board.shape)
    rows = np.hstack([thermal, photo]).round(2).tolist()
    _write_csv(folder / "landmarks.csv",
               ("thermal_x_px", "thermal_y_px", "photo_x_px", "photo_y_px"), rows)  # fmt: skip
    return rows


def _write_frames(
    case: Case, folder: Path, shown: str | None, rng: np.random.Generator
) -> dict[str, Any]:
    size = {"width": case.view.width, "height": case.view.height}
    camera: dict[str, Any] = {"name": "exam camera", **size}
    if shown is not None:
        grey, steps = display.auto_gain(case.celsius, rng=rng)
        camera["values"] = shown
        pixels: NDArray = grey
        if shown == "palette8":
            tables = display.palettes()
            name = str(rng.choice(sorted(tables)))
            chroma = float(rng.choice([0.0, 0.0, 0.7, 1.5]))
            pixels = display.to_colour(grey, tables[name], chroma=chroma, rng=rng)
            case.truth["palette"] = name
        case.truth["step_k"] = float(np.mean(steps))
        forms = ["ffv1", "png", "h264"]
        _save(pixels, folder, str(rng.choice(forms, p=[0.5, 0.25, 0.25])), case)
        return camera
    lot = rng.uniform()
    if lot < 0.2:
        camera["values"] = "celsius"
        _save(case.celsius, folder, str(rng.choice(["npy", "tif"])), case)
        return camera
    camera["values"] = "counts"
    if lot < 0.35:
        curve = {"r": 4.4e5, "b": 1430.0, "f": 1.0, "offset": float(rng.integers(-500, 2000))}
        kelvin = case.celsius.astype(np.float64) + ZERO_C
        counts = curve["r"] / (np.exp(curve["b"] / kelvin) - curve["f"]) + curve["offset"]
        camera["radiance_curve"] = curve
    else:
        scale = float(rng.choice([0.01, 0.02, 0.04]))
        camera |= {"scale": scale, "offset": float(rng.choice([-40.0, -273.15, 0.0]))}
        counts = (case.celsius - camera["offset"]) / scale
    counts = np.clip(np.rint(counts), 0, 65535).astype(np.uint16)
    _save(
        counts, folder, str(rng.choice(["npy", "tif", "ffv1", "png"], p=[0.3, 0.3, 0.3, 0.1])), case
    )
    return camera


def _save(frames: NDArray, folder: Path, form: str, case: Case) -> None:
    case.truth["container"] = form
    if form == "npy":
        np.save(folder / "frames.npy", frames)
    elif form == "tif":
        tifffile.imwrite(folder / "frames.tif", frames, photometric="minisblack")
    elif form == "png":
        (folder / "frames").mkdir()
        for k, frame in enumerate(frames):
            bgr = frame[..., ::-1] if frame.ndim == 3 else frame
            cv2.imwrite(str(folder / "frames" / f"{k:05d}.png"), bgr)
    else:
        _save_video(frames, folder / "frames.mkv", form)


def _save_video(frames: NDArray, path: Path, form: str) -> None:
    colour = frames.ndim == 4
    source = "rgb24" if colour else ("gray16le" if frames.dtype == np.uint16 else "gray")
    if form == "ffv1":
        codec, stored = "ffv1", "bgr0" if colour else source
    else:
        codec, stored = "libx264", "yuv444p" if colour else "yuv420p"
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=25)
        stream.height, stream.width = frames.shape[1:3]
        stream.pix_fmt = stored
        if form == "h264":
            stream.options = {"crf": "10", "preset": "veryfast"}
        for k, frame in enumerate(frames):
            picture = av.VideoFrame.from_ndarray(np.ascontiguousarray(frame), format=source)
            picture.pts = k
            for packet in stream.encode(picture):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
