"""Registration without clicks, marked: ``python -m tests.benchmarks.register``.

Scenes of two generators that share no code with the line or with one another: those of
`tests.register.scenes`, and layouts, optics and photos of `tests.benchmarks.exam`; a few degrees of
tilt, any turn.
Each scene is shown with its own photo, with the photo turned by 180 degrees, and with what must be
refused: the photo in a mirror, of another board, of nothing; then spoilt as benches spoil pictures
(`tests.register.damage`), where refused is as good an answer as right. Printed for each: right
(median error up to 1.5 thermal px), near (up to 3 px), wrong (answered and more than that off, or
answered where nothing fits), refused; then how many 95 % regions hold the truth, and the time.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.board import Board
from hotspot.register.automatic import register_automatically
from hotspot.register.registration import Registration
from tests.benchmarks.exam.camera import Lens, draw_raster, draw_view
from tests.benchmarks.exam.noise import SensorNoise
from tests.benchmarks.exam.nuisances import fixed_pattern
from tests.benchmarks.exam.photo import draw_photo
from tests.benchmarks.exam.physics import build_network
from tests.benchmarks.exam.scene import draw_layout
from tests.register import damage, scenes

RIGHT_PX, NEAR_PX = 1.5, 3.0
CHI2_95 = 5.991  # two degrees of freedom
REAL = Path(__file__).resolve().parents[1] / "data" / "wall_pairs"
SENSORS = ((160, 120), (256, 192), (256, 192), (384, 288))
COLD_FRAMES = 16  # averaged for the baseline


@dataclass(frozen=True)
class Scene:
    """A baseline, a photo of the board and the true map between them, and the part map."""

    baseline: NDArray[np.float32]
    photo: NDArray[np.uint8]
    photo_from_thermal: NDArray[np.float64]
    board: Board | None


def scene_one(seed: int) -> Scene:
    pair = scenes.build_pair(seed, shape=((120, 160), (192, 256), (288, 384))[seed % 3])
    return Scene(pair.thermal, pair.photo, pair.photo_from_thermal, pair.board)


def scene_two(seed: int) -> Scene:
    rng = np.random.default_rng([seed, 4])
    size = SENSORS[int(rng.integers(len(SENSORS)))]
    wide = float(np.clip(rng.uniform(0.14, 0.33) * size[0], 24, 76))
    layout = draw_layout(width_mm=wide, height_mm=wide * rng.uniform(0.6, 0.78), rng=rng)
    network = build_network(layout, rng=rng, cell_mm=wide / 25)
    view = draw_view(layout, size, fill=float(rng.uniform(0.82, 0.97)), rng=rng)
    emissivity = draw_raster(layout, network, rng=rng).emissivity
    room_c = rng.uniform(18, 29)
    board_c, mirror_c = room_c + rng.uniform(0.3, 2.5), room_c - rng.uniform(0, 2.5)
    baseline = Lens(view).look(
        emissivity * board_c + (1 - emissivity) * mirror_c, outside=0.93 * room_c + 0.07 * mirror_c
    )
    noise = SensorNoise(rng.uniform(0.03, 0.12), 0.01, 1.0, 0.01, 0.01, rng.uniform(0.02, 0.13))
    baseline = baseline + fixed_pattern(baseline.shape, pattern_k=noise.pattern_k, rng=rng)
    baseline = baseline + rng.normal(0, noise.white_k / np.sqrt(COLD_FRAMES), baseline.shape)
    photo, photo_from_board = draw_photo(layout, rng=rng)
    # Photos are taken from any side of the bench.
    quarter = int(rng.integers(4))
    for _ in range(quarter):
        photo_from_board = np.array([[0, 1, 0], [-1, 0, photo.shape[1] - 1], [0, 0, 1.0]]) @ (
            photo_from_board
        )
        photo = np.ascontiguousarray(np.rot90(photo))
    h = photo_from_board @ np.linalg.inv(view.thermal_from_board)
    return Scene(baseline.astype(np.float32), photo, h / h[2, 2], None)


GENERATORS = {"scenes": scene_one, "exam": scene_two}


def tries(make, seed: int) -> Iterator[tuple[str, Scene, NDArray[np.float64] | None]]:
    """Yield what is shown, the scene with the photo shown, and the true map (None: none)."""
    scene = make(seed)
    photo, true = scene.photo, scene.photo_from_thermal
    yield "own photo", scene, true
    rows, cols = photo.shape[:2]
    turn = np.array([[-1, 0, cols - 1], [0, -1, rows - 1], [0, 0, 1.0]])

    def shown(other: NDArray[np.uint8]) -> Scene:
        return Scene(scene.baseline, np.ascontiguousarray(other), true, None)

    yield "turned by 180 degrees", shown(photo[::-1, ::-1]), turn @ true
    yield "in a mirror", shown(photo[:, ::-1]), None
    yield "of another board", shown(make(seed + 100_000).photo), None
    blank = np.random.default_rng(seed).normal(120, 4, photo.shape)
    yield "of nothing", shown(np.clip(blank, 0, 255).astype(np.uint8)), None
    rng = np.random.default_rng([seed, 5])
    for what, spoil in damage.OF_PHOTO.items():
        yield f"of {what}", shown(spoil(photo, rng)), true
    for what, spoil in damage.OF_THERMAL.items():
        yield f"with {what}", replace(scene, baseline=spoil(scene.baseline, rng)), true
    if scene.board is not None:
        bare = Scene(scene.baseline, photo[:0], true, scene.board)
        yield "part map alone", bare, true
        other = Scene(scene.baseline, photo[:0], true, make(seed + 100_000).board)
        yield "part map of another board", other, None


def errors_px(
    found: Registration, true: NDArray[np.float64], scene: Scene
) -> tuple[float, list[bool]]:
    """Return the median error in thermal px over what the photo shows, and 95 % regions held."""
    rows, cols = scene.baseline.shape
    grid = np.stack(
        np.meshgrid(np.linspace(0, cols - 1, 9), np.linspace(0, rows - 1, 7)), -1
    ).reshape(-1, 2)
    there = cv2.perspectiveTransform(grid[:, None], true)[:, 0]
    if scene.photo.size:
        inside = ((there >= 0) & (there < scene.photo.shape[1::-1])).all(axis=1)
        grid, there = grid[inside], there[inside]
    mapped = found.photo_from_thermal
    got = mapped.map(grid)
    back = cv2.perspectiveTransform(got[:, None], np.linalg.inv(true))[:, 0]
    held = [
        float(d @ np.linalg.solve(mapped.point_cov(p), d)) < CHI2_95
        for p, d in zip(grid, there - got, strict=True)
    ]
    return float(np.median(np.linalg.norm(back - grid, axis=1))), held


def measure(count: int, first: int) -> None:
    verdicts: dict[tuple[str, str], list[str]] = defaultdict(list)
    errors: dict[tuple[str, str], list[float]] = defaultdict(list)
    held: list[bool] = []
    took: list[float] = []
    for seed in range(first, first + count):
        for name, make in GENERATORS.items():
            for what, scene, true in tries(make, seed):
                began = time.process_time()
                photo = scene.photo if scene.photo.size else None
                board = scene.board if what.startswith("part map") else None
                found = register_automatically(scene.baseline, photo=photo, board=board)
                took.append(time.process_time() - began)
                verdict = "refused"
                if found.method != "none":
                    verdict = "wrong"
                    if true is not None and found.photo_from_thermal is not None:
                        error, inside = errors_px(found, true, scene)
                        errors[name, what].append(error)
                        verdict = "right" if error <= RIGHT_PX else "near"
                        if error > NEAR_PX:
                            verdict = "wrong"
                        else:
                            held += inside
                verdicts[name, what].append(verdict)
                if verdict == "wrong":
                    error = f"{errors[name, what][-1]:.1f} px" if true is not None else ""
                    print(f"wrong: {name} {seed}, {what} {error}: {found.support}", flush=True)
    print(f"\n{'scenes of':<10}{'shown':<28}{'right':>6}{'near':>6}{'wrong':>6}{'refused':>8}"
          f"{'median px':>11}")  # fmt: skip
    for (name, what), said in verdicts.items():
        middle = f"{np.median(errors[name, what]):.2f}" if errors[name, what] else "-"
        counts = [said.count(v) for v in ("right", "near", "wrong", "refused")]
        print(f"{name:<10}{what:<28}" + "".join(f"{c:>6}" for c in counts[:3])
              + f"{counts[3]:>8}{middle:>11}")  # fmt: skip
    every = [v for said in verdicts.values() for v in said]
    own = [v for (_, w), said in verdicts.items() if w in ("own photo", "turned by 180 degrees")
           for v in said]  # fmt: skip
    print(f"\nright on photos of the board: {own.count('right')} of {len(own)}; silently wrong: "
          f"{every.count('wrong')} of {len(every)}")  # fmt: skip
    print(f"95 % regions that hold the truth: {np.mean(held):.3f} of {len(held)} points")
    print(f"processor time: median {np.median(took):.1f} s, longest {max(took):.1f} s")


def measure_real() -> None:
    """Real pairs in which nothing can be matched: paint on a wall, targets in front of it."""
    for path in sorted(REAL.glob("*.npz")):
        counts = np.load(path)["counts"].astype(np.float32)
        bgr = cv2.imread(str(path.with_suffix(".jpg")))
        photo = cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB).astype(np.uint8)
        found = register_automatically(counts, photo=photo, board=None)
        print(f"real pair {path.stem}: {found.method} {found.support}")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--scenes", type=int, default=10, help="scenes of each generator")
    parser.add_argument("--first", type=int, default=20_000, help="first seed")
    arguments = parser.parse_args()
    measure_real()
    measure(arguments.scenes, arguments.first)


if __name__ == "__main__":
    main()
