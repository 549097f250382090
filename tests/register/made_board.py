"""A board of bodies with end caps, by construction: fine masks, blurred and averaged over pixels.

Nothing of the tool's own drawing is used: what a body looks like is decided here by `cv2.fillPoly`.
"""

from __future__ import annotations

import cv2
import numpy as np

from hotspot.board import Board, Kind, Part
from hotspot.register.lens import Lens

SHAPE = (96, 128)
# 0.36 mm a pixel, y turned over, a little tilt.
THERMAL_FROM_BOARD = np.array([[2.72, 0.07, 4.0], [0.05, -2.74, 92.0], [2e-4, -1.5e-4, 1.0]])
WIDTH_MM, HEIGHT_MM = 44.0, 32.0
SIGMA_PX, NOISE_K = 0.9, 0.02
FINE = 6
SIZES_MM = ((1.0, 0.5), (1.6, 0.8), (2.0, 1.25), (3.2, 1.6), (3.0, 3.0), (5.0, 4.0))


def mapped(matrix: np.ndarray, points: np.ndarray) -> np.ndarray:
    p = np.concatenate([points, np.ones((*points.shape[:-1], 1))], axis=-1) @ matrix.T
    return p[..., :2] / p[..., 2:]


def made_board(rng: np.random.Generator, *, parts: int = 60) -> Board:
    """Parts of usual sizes at random places, a millimetre from one another."""
    boxes: list[np.ndarray] = []
    made: list[Part] = []
    for _ in range(4000):
        if len(made) == parts:
            break
        size = np.array(SIZES_MM[rng.choice(6, p=[0.3, 0.3, 0.2, 0.1, 0.05, 0.05])])
        across = bool(rng.integers(2))
        half = size[::-1] / 2 if across else size / 2
        at = rng.uniform(half + 1, np.array([WIDTH_MM, HEIGHT_MM]) - half - 1)
        box = np.concatenate([at - half - 0.5, at + half + 0.5])
        if any(np.all(box[:2] < b[2:]) and np.all(b[:2] < box[2:]) for b in boxes):
            continue
        boxes.append(box)
        name = f"C{len(made) + 1}"
        w, h = (float(v) for v in size)
        degrees = 90.0 if across else 0.0
        made.append(Part(name, Kind.CAPACITOR, "", float(at[0]), float(at[1]), w, h, degrees))
    return Board(
        "made",
        tuple(made),
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        photo_landmarks=np.array(
            [[2, 2, 40, 600], [42, 2, 840, 600], [42, 30, 840, 40], [2, 30, 40, 40]], dtype=float
        ),
    )


def end_caps(corners: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the quarters (4, 2) at either end of a body's first axis, 0.15 mm of solder beyond."""
    a, b, c, d = corners
    out = []
    for p, q, s in ((a, b, d), (b, a, c)):
        along = (q - p) / np.linalg.norm(q - p)
        reach = 0.25 * (q - p)
        out.append(np.array([p - 0.15 * along, p + reach, s + reach, s - 0.15 * along]))
    return out[0], out[1]


def cold_picture(
    board: Board,
    rng: np.random.Generator,
    *,
    contrast_k: float = 0.4,
    noise_k: float = NOISE_K,
    lens: Lens | None = None,
    moved_px: np.ndarray | None = None,
    edge_k: float = 0.0,
    placed_mm: float = 0.0,
) -> np.ndarray:
    """Return a cold picture (rows, cols) of a board; contrasts as chance has them.

    `moved_px` (parts, 2) shifts each body for itself, `placed_mm` scatters them on the board,
    `edge_k` is how much warmer the board is than the bench.
    """
    rows, cols = SHAPE
    fine = np.zeros((rows * FINE, cols * FINE), np.float32)

    def fill(mm: np.ndarray, amount: float, by_px: np.ndarray) -> None:
        at = mapped(THERMAL_FROM_BOARD, mm)
        at = (at if lens is None else lens.bent(at)) + by_px
        at = (at + 0.5) * FINE - 0.5
        left, top = np.maximum(np.floor(at.min(axis=0)).astype(int) - 1, 0)
        right, bottom = np.maximum(np.ceil(at.max(axis=0)).astype(int) + 2, 0)
        window = fine[top:bottom, left:right]
        if not window.size:
            return
        mask = np.zeros(window.shape, np.uint8)
        # Corners to 1/256 of a fine pixel.
        cv2.fillPoly(mask, [np.round((at - [left, top]) * 256).astype(np.int32)], 1, shift=8)
        window[mask > 0] += amount

    whole = np.array([[0, 0], [WIDTH_MM, 0], [WIDTH_MM, HEIGHT_MM], [0, HEIGHT_MM]], dtype=float)
    along = np.linspace(0, 1, 20, endpoint=False)[:, None]
    edge = np.concatenate(
        [p + along * (q - p) for p, q in zip(whole, np.roll(whole, -1, axis=0), strict=True)]
    )
    fill(edge, edge_k, np.zeros(2))
    for i, part in enumerate(board.parts):
        by = np.zeros(2) if moved_px is None else moved_px[i]
        mm = part.corners_mm() + rng.normal(0, placed_mm, 2)
        fill(mm, contrast_k * rng.normal(0.3, 0.3), by)
        cap = -contrast_k * rng.uniform(0.6, 1.4)
        for end in end_caps(mm):
            fill(end, cap, by)
    y, x = np.mgrid[:rows, :cols] / max(rows, cols)
    slow = 0.3 * np.sin(2.0 * x + 1.0) + 0.2 * np.cos(2.5 * y) - 0.3 * (x - 0.5) * (y - 0.4)
    seen = cv2.GaussianBlur(fine, (0, 0), SIGMA_PX * FINE)
    seen = seen.reshape(rows, FINE, cols, FINE).mean(axis=(1, 3))
    return (22.0 + slow + seen + rng.normal(0, noise_k, SHAPE)).astype(np.float32)
