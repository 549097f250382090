"""Pairs of a thermal baseline and a board photo, with the true map: invented, never the demo's.

Emissivity contrast under a room that reflects unevenly, bare metal, cans, tall parts that shift by
parallax, lens blur, noise, column pattern, vignetting; a photo with silkscreen, traces, glare and
another background.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hotspot.board import Board, Kind, Part

PX_PER_MM = 10.0  # raster in which a board is drawn
SIZES = [(6, 6), (4, 2.8), (1.6, 0.8), (1.0, 0.5), (0.8, 1.6), (3, 7), (2.4, 2.4), (9, 9), (12, 4)]


@dataclass
class Pair:
    photo: np.ndarray
    thermal: np.ndarray
    photo_from_thermal: np.ndarray
    board: Board


def draw_board(rng):
    """Grey photo (float), emissivity, height mm and board mask, with margins, and the parts."""
    width, height = rng.uniform(30, 90), rng.uniform(22, 60)
    margin = rng.uniform(3, 10)
    cols, rows = (int((d + 2 * margin) * PX_PER_MM) for d in (width, height))
    photo = np.full((rows, cols, 3), rng.uniform(40, 200, 3), np.float32)
    emissivity = np.full((rows, cols), rng.uniform(0.85, 0.95), np.float32)
    tall = np.zeros((rows, cols), np.float32)
    edge = int(margin * PX_PER_MM)
    mask = np.zeros((rows, cols), np.float32)
    mask[edge : rows - edge, edge : cols - edge] = 1
    green = rng.uniform([20, 50, 20], [70, 110, 60]).astype(np.float32)
    photo[mask > 0] = green
    emissivity[mask > 0] = rng.uniform(0.86, 0.93)
    for _ in range(int(width * height / 30)):
        p = [rng.integers(edge, cols - edge), rng.integers(edge, rows - edge)]
        for _ in range(3):
            q = list(p)
            k = rng.integers(2)
            q[k] = int(np.clip(q[k] + rng.integers(-150, 150), edge, (cols, rows)[k] - edge))
            cv2.line(
                photo, tuple(map(int, p)), tuple(map(int, q)), tuple(map(float, green * 1.15)), 2
            )
            p = q
    parts, boxes = [], []
    for number in range(int(width * height / rng.uniform(14, 40))):
        w, h = (np.array(SIZES[rng.integers(len(SIZES))]) * PX_PER_MM).astype(int)
        x = int(rng.integers(edge + 4, max(edge + 5, cols - edge - w - 4)))
        y = int(rng.integers(edge + 4, max(edge + 5, rows - edge - h - 4)))
        if any(
            x < a + c + 5 and a < x + w + 5 and y < b + d + 5 and b < y + h + 5
            for a, b, c, d in boxes
        ):
            continue
        boxes.append((x, y, w, h))
        kind = rng.choice(4)
        if kind == 3 and w > 20:
            photo[y : y + h, x : x + w] = rng.uniform(120, 230)
            emissivity[y : y + h, x : x + w] = rng.uniform(0.1, 0.5)
            tall[y : y + h, x : x + w] = rng.uniform(0.8, 2)
        elif w * h < 300:
            photo[y : y + h, x : x + w] = (70, 100, 130) if rng.random() < 0.6 else (30, 30, 30)
            emissivity[y : y + h, x : x + w] = rng.uniform(0.8, 0.95)
            cap = max(1, max(w, h) // 4)
            ends = (
                [np.s_[y : y + h, x : x + cap], np.s_[y : y + h, x + w - cap : x + w]]
                if w > h
                else [np.s_[y : y + cap, x : x + w], np.s_[y + h - cap : y + h, x : x + w]]
            )
            for end in ends:
                photo[end] = 190
                emissivity[end] = 0.3
        else:
            photo[y : y + h, x : x + w] = rng.uniform(15, 60)
            emissivity[y : y + h, x : x + w] = rng.uniform(0.88, 0.97)
            tall[y : y + h, x : x + w] = rng.choice([0.5, 1.0, 4.0], p=[0.6, 0.3, 0.1])
            for t in range(0, w - 3, 7):
                for band in (
                    np.s_[y - 4 : y, x + t : x + t + 3],
                    np.s_[y + h : y + h + 4, x + t : x + t + 3],
                ):
                    photo[band] = 190
                    emissivity[band] = 0.3
        if rng.random() < 0.5:
            ink = np.zeros((rows, cols), np.uint8)
            cv2.putText(
                ink, f"R{rng.integers(99)}", (x, y - 6), cv2.FONT_HERSHEY_PLAIN, 0.9, 255, 1
            )
            photo[ink > 127] = 230
        cx, cy = (x + (w - 1) / 2) / PX_PER_MM, (y + (h - 1) / 2) / PX_PER_MM
        parts.append(Part(f"U{number}", Kind.OTHER, "", cx, -cy, w / PX_PER_MM, h / PX_PER_MM, 0.0))
    return photo, emissivity, tall, mask, parts, (width, height), edge


def build_pair(seed, *, shape=(192, 256), rail=None, contrast=None, mm_per_px=None):
    """A pair with a random view of a random board; `rail` unused by the registration."""
    rng = np.random.default_rng(seed)
    picture, emissivity, tall, mask, parts, size, edge = draw_board(rng)
    rows, cols = emissivity.shape
    # Thermal view: any turn, part or all of the board, a few degrees of tilt.
    turn = rng.uniform(-np.pi, np.pi)
    scale = (mm_per_px or np.exp(rng.uniform(np.log(0.12), np.log(0.42)))) * PX_PER_MM
    view = scale * np.array(shape[::-1])
    slack = np.maximum(0, (np.array([cols, rows]) - view) / 2) * 0.8
    centre = np.array([cols, rows]) / 2 + rng.uniform(-1, 1, 2) * slack + rng.normal(0, 10, 2)
    c, s = np.cos(turn) * scale, np.sin(turn) * scale
    middle = (np.array(shape[::-1]) - 1) / 2
    m = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    tilt = rng.normal(0, 0.03, 2) / middle[0]
    perspective = np.array([[1, 0, 0], [0, 1, 0], [tilt[0], tilt[1], 1.0]])
    to_middle = np.array([[1, 0, -middle[0]], [0, 1, -middle[1]], [0, 0, 1.0]])
    raster_from_thermal = (
        np.array([[1, 0, centre[0]], [0, 1, centre[1]], [0, 0, 1.0]]) @ m @ perspective @ to_middle
    )
    contrast = contrast or np.exp(rng.uniform(np.log(0.5), np.log(6)))  # K between room and board
    y, x = np.mgrid[0:rows, 0:cols] / max(rows, cols)
    room = -contrast * (1 + 0.4 * np.sin(6 * x * rng.uniform(0.5, 1.5)) * np.cos(5 * y))
    body = np.where(mask > 0, contrast * rng.uniform(0.1, 0.6), 0) * (1 + 0.3 * (x - 0.5))
    seen = emissivity * body + (1 - emissivity) * room
    # Tall parts lean away from the centre of the view: shift by height * offset / distance.
    yy, xx = np.mgrid[0:rows, 0:cols].astype(np.float32)
    lean = tall / 120.0
    seen = cv2.remap(
        seen.astype(np.float32),
        (xx - lean * (xx - centre[0])).astype(np.float32),
        (yy - lean * (yy - centre[1])).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    blur = rng.uniform(0.7, 1.3) * scale
    thermal = cv2.warpPerspective(
        cv2.GaussianBlur(seen, (0, 0), blur), raster_from_thermal, shape[::-1],
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    r2 = ((np.mgrid[0 : shape[0], 0 : shape[1]] - middle[::-1, None, None]) ** 2).sum(0)
    thermal = thermal + 25 - rng.uniform(0, 0.6) * r2 / r2.max()
    thermal += rng.normal(0, 0.02, shape) + rng.normal(0, 0.02, (1, shape[1]))
    # The photo: another view of the same board, its own scale and small tilt.
    zoom = rng.uniform(0.6, 1.3)
    quarter = rng.integers(4) if rng.random() < 0.3 else 0
    out_size = (int(cols * zoom), int(rows * zoom))
    a = rng.normal(0, 0.02) + quarter * np.pi / 2
    if quarter % 2:
        out_size = out_size[::-1]
    ca, sa = zoom * np.cos(a), zoom * np.sin(a)
    photo_from_raster = np.array([[ca, -sa, 0], [sa, ca, 0], [0, 0, 1.0]])
    photo_from_raster[:2, 2] = np.array(out_size) / 2 - photo_from_raster[:2, :2] @ [
        cols / 2,
        rows / 2,
    ]
    photo_from_raster[2, :2] = rng.normal(0, 2e-5, 2)
    light = 0.75 + 0.5 * (np.cos(rng.uniform(0, 6)) * (x - 0.5) + 0.5)
    photo = cv2.warpPerspective(
        cv2.GaussianBlur(picture * light[..., None].astype(np.float32), (0, 0), 0.8),
        photo_from_raster, out_size, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    photo = np.clip(photo + rng.normal(0, 3, photo.shape), 0, 255).astype(np.uint8)
    photo_from_thermal = photo_from_raster @ raster_from_thermal
    corners = np.array(
        [[edge, edge], [cols - edge, edge], [cols - edge, rows - edge], [edge, rows - edge]], float
    )
    clicked = cv2.perspectiveTransform(corners[:, None], photo_from_raster)[:, 0]
    board = Board(
        f"scene {seed}", tuple(parts), width_mm=size[0], height_mm=size[1],
        photo_landmarks=np.c_[corners / PX_PER_MM * [1, -1], clicked],
    )  # fmt: skip
    return Pair(
        photo, thermal.astype(np.float32), photo_from_thermal / photo_from_thermal[2, 2], board
    )


def error_px(found, pair):
    """Median error in thermal px over the part of the thermal picture that the photo shows."""
    rows, cols = pair.thermal.shape
    grid = np.stack(
        np.meshgrid(np.linspace(0, cols - 1, 9), np.linspace(0, rows - 1, 7)), -1
    ).reshape(-1, 2)
    there = cv2.perspectiveTransform(grid[:, None], pair.photo_from_thermal)[:, 0]
    inside = ((there >= 0) & (there < pair.photo.shape[1::-1])).all(axis=1)
    back = cv2.perspectiveTransform(
        found.photo_from_thermal.map(grid)[:, None], np.linalg.inv(pair.photo_from_thermal)
    )[:, 0]
    return float(np.median(np.linalg.norm(back - grid, axis=1)[inside]))
