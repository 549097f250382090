"""A photo of the board: mask, copper, silk, bodies, light, a little perspective."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.exam.camera import map_points
from tests.benchmarks.exam.scene import CHIPS, Layout

MASKS = ((34, 92, 48), (24, 60, 120), (30, 30, 34), (128, 32, 36), (14, 74, 66))
BODIES = {"ic": (42, 42, 46), "inductor": (88, 88, 92), "bead": (96, 90, 88),
          "connector": (226, 222, 208), "shield": (188, 190, 194), "diode": (36, 36, 38),
          "transistor": (38, 38, 40), "fuse": (224, 220, 200), "other": (196, 196, 200),
          "test_point": (214, 182, 96), "resistor": (30, 30, 32)}  # fmt: skip


def draw_photo(
    layout: Layout, *, rng: np.random.Generator, width_px: int = 1200
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Return an RGB photo and the homography photo px from board mm."""
    scale = width_px / (layout.width_mm * 1.08)
    w, h = width_px, int(layout.height_mm * scale * 1.1)
    ox, oy = 0.04 * layout.width_mm * scale, 0.05 * layout.height_mm * scale
    flat = np.array([[scale, 0, ox], [0, -scale, oy + layout.height_mm * scale], [0, 0, 1]])
    mask = np.array(MASKS[int(rng.integers(len(MASKS)))], dtype=float)
    picture = np.full((h, w, 3), int(rng.uniform(90, 180)), dtype=np.uint8)

    def box(x0: float, y0: float, x1: float, y1: float, colour: object) -> None:
        a = map_points(flat, np.array([[x0, y0], [x1, y1]])).round().astype(int)
        p, q = a.min(0), a.max(0)
        cv2.rectangle(
            picture, [int(v) for v in p], [int(v) for v in q], [float(c) for c in colour], -1
        )

    box(0, 0, layout.width_mm, layout.height_mm, mask)
    for x0, y0, x1, y1, share in layout.patches:
        tint = mask + 26 * share * np.array([0.6, 1.0, 0.8])
        box(x0, y0, min(x1, layout.width_mm), min(y1, layout.height_mm), tint)
    for _ in range(int(layout.width_mm * layout.height_mm / 12)):
        _draw_trace(picture, layout, flat, mask + 20, scale, rng)
    body_colour = np.array([rng.uniform(140, 190), rng.uniform(105, 145), rng.uniform(70, 105)])
    for item in layout.items:
        iw, ih = item.extent_mm
        upright = item.turn_deg % 180
        chip = item.package in CHIPS or item.kind in ("diode", "transistor")
        px, py = (0.3, 0.05) if chip else (0.2, 0.2)
        px, py = (py, px) if upright else (px, py)
        x0, y0, x1, y1 = (
            item.x_mm - iw / 2,
            item.y_mm - ih / 2,
            item.x_mm + iw / 2,
            item.y_mm + ih / 2,
        )
        if item.kind not in ("shield", "connector", "test_point"):
            box(x0 - px, y0 - py, x1 + px, y1 + py, (196, 196, 190))
        colour = np.array(BODIES.get(item.kind, body_colour), dtype=float) + rng.normal(0, 4)
        if item.package in CHIPS and item.kind != "test_point":
            box(x0, y0, x1, y1, (182, 180, 174))
            ex, ey = (0.0, 0.18 * ih) if upright else (0.18 * iw, 0.0)
            box(x0 + ex, y0 + ey, x1 - ex, y1 - ey, colour)
        else:
            box(x0, y0, x1, y1, colour)
            if item.kind == "ic":
                box(x0 + 0.4, y1 - 0.8, x0 + 0.8, y1 - 0.4, colour + 40)
        at = map_points(flat, np.array([[x0, y1 + 0.35]]))[0]
        cv2.putText(picture, item.ref, (int(at[0]), int(at[1])), cv2.FONT_HERSHEY_SIMPLEX,
                    0.028 * scale, (226.0, 228.0, 222.0), 1, cv2.LINE_AA)  # fmt: skip
    return _take(picture, flat, rng)


def _draw_trace(picture: NDArray, layout: Layout, flat: NDArray, colour: NDArray, scale: float,
                rng: np.random.Generator) -> None:  # fmt: skip
    x, y = rng.uniform(0, layout.width_mm), rng.uniform(0, layout.height_mm)
    points = [(x, y)]
    for _ in range(int(rng.integers(1, 4))):
        step = rng.normal(0, 4)
        x, y = (x + step, y) if rng.uniform() < 0.5 else (x, y + step)
        points.append(
            (float(np.clip(x, 0, layout.width_mm)), float(np.clip(y, 0, layout.height_mm)))
        )
    line = map_points(flat, np.array(points)).round().astype(np.int32)
    cv2.polylines(picture, [line.reshape(-1, 1, 2)], False, [float(c) for c in colour],
                  max(1, int(0.18 * scale)))  # fmt: skip


def _take(
    picture: NDArray, flat: NDArray, rng: np.random.Generator
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    h, w = picture.shape[:2]
    y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j]
    light = 1 + rng.uniform(-0.12, 0.12) * x + rng.uniform(-0.12, 0.12) * y - 0.06 * (x * x + y * y)
    picture = (picture * light[..., None]).astype(np.float32)
    corner = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], dtype=np.float32)
    seen = (corner + rng.uniform(-0.015, 0.015, (4, 2)) * w).astype(np.float32)
    tilt = cv2.getPerspectiveTransform(corner, seen)
    picture = cv2.warpPerspective(picture, tilt, (w, h), borderMode=cv2.BORDER_REPLICATE)
    picture = cv2.GaussianBlur(picture, (0, 0), float(rng.uniform(0.6, 1.2)))
    picture += rng.normal(0, 2.5, picture.shape) + cv2.GaussianBlur(
        rng.normal(0, 14, (h, w)), (0, 0), 3.0
    )[..., None]  # fmt: skip
    photo = np.clip(picture, 0, 255).astype(np.uint8)
    total = tilt @ flat
    return photo, total / total[2, 2]
