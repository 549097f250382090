"""A photo of a practice board, drawn from its part map: mask, copper, silk, parts, light, lens."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.board import Board, Kind, Part
from hotspot.checks import FloatArray
from hotspot.practice.bodies import to_part_body
from hotspot.practice.canvas import Canvas, rounded
from hotspot.practice.demo_board import HOLE_DIAMETER_MM, HOLES_MM
from hotspot.practice.part_drawing import GOLD, GOLD_DARK, SILK, draw_pads, draw_part

MASK, COPPER, TRACE, MASK_EDGE = (14, 62, 66), (18, 76, 79), (28, 94, 96), (188, 172, 120)
_DRAWN_PX_PER_MM = 48.0  # twice the photo's scale: shrinking it smooths every edge
_LABEL_MM = 0.85


@dataclass(frozen=True, slots=True, eq=False)
class BoardPhoto:
    """A photo and where the board lies in it.

    Attributes
    ----------
    rgb
        (rows, cols, 3) uint8.
    photo_from_board
        (3, 3) homography, board mm to photo px.
    landmarks
        (n, 4) board x mm, board y mm, photo x px, photo y px of the mounting holes.
    """

    rgb: NDArray[np.uint8]
    photo_from_board: FloatArray
    landmarks: FloatArray


def build_photo(board: Board, *, width_px: int = 1600, rng: np.random.Generator) -> BoardPhoto:
    """Return a photo of the board on a bench mat, taken from nearly above.

    Parameters
    ----------
    board
        With its outline in mm.
    width_px
        Width of the photo.
    rng
        For grain and texture.

    Raises
    ------
    ValueError
        For a board without an outline.
    """
    if board.width_mm is None or board.height_mm is None:
        raise ValueError("board must have width_mm and height_mm")
    drawn = _draw_board(board, board.width_mm, board.height_mm, rng)
    margin = 0.055 * width_px
    scale = (width_px - 2 * margin) / board.width_mm
    height_px = round(board.height_mm * scale + 2 * margin)
    corners_mm = np.array(
        [[0, 0], [board.width_mm, 0], [board.width_mm, board.height_mm], [0, board.height_mm]]
    )
    left, right = margin, width_px - 1 - margin
    top, bottom = margin, height_px - 1 - margin
    # Hand-held: turned by some tenths of a degree, the far edge a little smaller.
    lean = 0.004 * width_px
    target = np.array(
        [
            [left - lean, bottom - lean],
            [right + lean, bottom + 0.3 * lean],
            [right - lean, top + lean],
            [left + 1.4 * lean, top - 0.2 * lean],
        ]
    )
    matrix = cv2.getPerspectiveTransform(
        corners_mm.astype(np.float32), target.astype(np.float32)
    ).astype(np.float64)
    rgb = _take(drawn, board.height_mm, matrix, (height_px, width_px), rng)
    holes = np.array(HOLES_MM)
    mapped = np.c_[holes, np.ones(len(holes))] @ matrix.T
    return BoardPhoto(
        rgb=rgb,
        photo_from_board=matrix,
        landmarks=np.c_[holes, np.round(mapped[:, :2] / mapped[:, 2:], 2)],
    )


def to_jpeg(rgb: NDArray[np.uint8], *, quality: int = 90) -> bytes:
    """Return the picture as JPEG data."""
    done, data = cv2.imencode(
        ".jpg", np.ascontiguousarray(rgb[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    if not done:
        raise ValueError(f"rgb must be an (rows, cols, 3) uint8 picture, got {rgb.shape}")
    return data.tobytes()


def _draw_board(
    board: Board, width_mm: float, height_mm: float, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """RGB and cover (alpha) of the board alone, straight from above."""
    canvas = Canvas(width_mm, height_mm, px_per_mm=_DRAWN_PX_PER_MM, colour=MASK_EDGE)
    middle = np.array([0.5 * width_mm, 0.5 * height_mm])
    canvas.fill(rounded(width_mm - 0.2, height_mm - 0.2, 2.0) + middle, MASK)
    canvas.fill(rounded(width_mm - 1.6, height_mm - 1.6, 1.6) + middle, COPPER)
    _draw_copper(canvas, board, rng)
    canvas.image = _textured(canvas.image, rng)
    cover = Canvas(width_mm, height_mm, px_per_mm=_DRAWN_PX_PER_MM, colour=0)
    cover.fill(rounded(width_mm, height_mm, 2.0) + middle, 255)
    for hole in HOLES_MM:
        at = np.array(hole)
        canvas.disc(at, 0.5 * HOLE_DIAMETER_MM + 1.0, GOLD_DARK)
        canvas.disc(at, 0.5 * HOLE_DIAMETER_MM + 0.92, GOLD)
        canvas.disc(at, 0.5 * HOLE_DIAMETER_MM + 0.08, (96, 78, 40))
        cover.disc(at, 0.5 * HOLE_DIAMETER_MM, 0)
    top = [p for p in board.parts if p.side != "bottom"]
    top.sort(key=lambda p: to_part_body(p).tall_mm)
    seen = [p for p in top if not _under_shield(p, top)]
    for part in seen:
        draw_pads(canvas, part)
    _letter(canvas, board.name, seen)
    _cast_shadows(canvas, seen)
    for part in seen:
        draw_part(canvas, part)
    return np.dstack([canvas.image, cover.image])


def _under_shield(part: Part, parts: list[Part]) -> bool:
    return any(
        s.kind is Kind.SHIELD
        and s is not part
        and abs(part.x_mm - s.x_mm) < 0.5 * s.width_mm
        and abs(part.y_mm - s.y_mm) < 0.5 * s.height_mm
        for s in parts
    )


def _draw_copper(canvas: Canvas, board: Board, rng: np.random.Generator) -> None:
    """Traces from part to part of each net, chamfered, over gaps in the pour."""
    supply = {rail.name for rail in board.rails} | {"VBAT", "VBAT_F", "SW"}
    routes = []
    for net in sorted({n for p in board.parts for n in p.nets} - set(board.ground)):
        stops = [np.array([p.x_mm, p.y_mm]) for p in board.parts if net in p.nets]
        width = 0.55 if net in supply else 0.16
        while len(stops) > 1:
            here = stops.pop(0)
            stops.sort(key=lambda other: float(np.abs(other - here).sum()))
            routes.append((_chamfered(here, stops[0]), width))
    for route, width in routes:
        canvas.line(route, width + 0.36, MASK)
    for route, width in routes:
        canvas.line(route, width, TRACE)
    vias = [route[len(route) // 2] for route, _ in routes]
    vias += list(rng.uniform([2, 2], [canvas.width_mm - 2, canvas.height_mm - 2], (150, 2)))
    for at in vias:
        canvas.disc(at, 0.26, (34, 104, 104))
        canvas.disc(at, 0.12, (9, 40, 43))


def _chamfered(a: FloatArray, b: FloatArray) -> FloatArray:
    """Along one axis, then at 45 degrees."""
    d = b - a
    short = float(min(abs(d[0]), abs(d[1])))
    corner = b - np.sign(d) * short
    return np.array([a, corner, b])


def _textured(image: NDArray[np.uint8], rng: np.random.Generator) -> NDArray[np.uint8]:
    """Glass weave under the mask and uneven lacquer."""
    rows, cols = image.shape[:2]
    y, x = (axis.astype(np.float32) for axis in np.ogrid[0:rows, 0:cols])
    pitch = 0.42 * _DRAWN_PX_PER_MM
    weave = 1.1 * np.sin(2 * np.pi * x / pitch) * np.sin(2 * np.pi * y / pitch)
    cloud = cv2.resize(
        rng.standard_normal((12, 18)).astype(np.float32),
        (cols, rows),
        interpolation=cv2.INTER_CUBIC,
    )
    tone = (weave + 1.6 * cloud).astype(np.float32)[..., None]
    out: NDArray[np.uint8] = np.clip(image + tone, 0, 255).astype(np.uint8)
    return out


def _letter(canvas: Canvas, name: str, parts: list[Part]) -> None:
    """Outlines, references where there is room, the board's name."""
    taken = [_extent(p, 0.15) for p in parts]
    taken += [(x - 2.4, y - 2.4, x + 2.4, y + 2.4) for x, y in HOLES_MM]
    title = name.upper().replace("-", " ")
    for words, x, y, height in ((title, 52.6, 41.6, 1.25), ("WATER LEVEL  REV A2", 51.2, 3.4, 0.9)):
        w, h = canvas.text_size_mm(words, height_mm=height, stroke_mm=0.17)
        taken.append((x - w / 2, y - h / 2, x + w / 2, y + h / 2))
        canvas.text(words, (x, y), height_mm=height, colour=SILK, stroke_mm=0.17)
    for part in sorted(parts, key=lambda p: -p.width_mm * p.height_mm):
        w, h = canvas.text_size_mm(part.ref, height_mm=_LABEL_MM)
        framed = part.kind in (Kind.IC, Kind.CONNECTOR) or part.width_mm > 3.5
        x0, y0, x1, y1 = _extent(part, 0.55 if framed else 0.25)
        cx, cy = 0.5 * (x0 + x1), 0.5 * (y0 + y1)
        spots = (
            (cx, y1 + h / 2 + 0.1), (cx, y0 - h / 2 - 0.1), (x1 + w / 2 + 0.1, cy),
            (x0 - w / 2 - 0.1, cy), (x0 + w / 2, y1 + h / 2 + 0.1), (x1 - w / 2, y0 - h / 2 - 0.1),
        )  # fmt: skip
        for x, y in spots:
            field = (x - w / 2, y - h / 2, x + w / 2, y + h / 2)
            inside = field[0] > 0.8 and field[1] > 0.8
            inside &= field[2] < canvas.width_mm - 0.8 and field[3] < canvas.height_mm - 0.8
            if inside and not any(_overlap(field, other) for other in taken):
                canvas.text(part.ref, (x, y), height_mm=_LABEL_MM, colour=SILK)
                taken.append(field)
                break
        if framed:
            size = rounded(x1 - x0, y1 - y0, 0.2) + np.array([cx, cy])
            canvas.outline(size, 0.12, SILK)


def _extent(part: Part, gap: float) -> tuple[float, float, float, float]:
    corners = part.corners_mm()
    (x0, y0), (x1, y1) = corners.min(axis=0) - gap, corners.max(axis=0) + gap
    return float(x0), float(y0), float(x1), float(y1)


def _overlap(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _cast_shadows(canvas: Canvas, parts: list[Part]) -> None:
    """Soft shadows; the lamp stands at the upper left."""
    coarse = canvas.px_per_mm / 4  # shadows are soft: a quarter of the scale is enough
    rows, cols = canvas.image.shape[:2]
    light = np.ones((rows, cols), dtype=np.float32)
    for low, high, blur_mm in ((0.0, 0.7, 0.1), (0.7, 2.0, 0.25), (2.0, 9.0, 0.6)):
        layer = Canvas(canvas.width_mm, canvas.height_mm, px_per_mm=coarse, colour=0)
        for part in parts:
            tall = to_part_body(part).tall_mm
            if low <= tall < high:
                for share in (0.0, 0.25, 0.5):
                    layer.fill(
                        part.corners_mm() + np.array([share * tall, -1.2 * share * tall]), 255
                    )
        soft = cv2.GaussianBlur(layer.image.astype(np.float32), (0, 0), blur_mm * coarse)
        light *= 1.0 - 0.55 / 255.0 * cv2.resize(soft, (cols, rows))
    canvas.image = (canvas.image * light[..., None]).astype(np.uint8)


def _take(
    drawn: NDArray[np.uint8],
    height_mm: float,
    photo_from_board: FloatArray,
    shape: tuple[int, int],
    rng: np.random.Generator,
) -> NDArray[np.uint8]:
    """Board on the bench mat, lit, through a lens, with grain."""
    rows, cols = shape
    half = cv2.resize(drawn, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    s = _DRAWN_PX_PER_MM / 2
    board_from_drawn = np.array(
        [[1 / s, 0, 0.5 / s], [0, -1 / s, height_mm - 0.5 / s], [0, 0, 1.0]]
    )
    layer = cv2.warpPerspective(
        half, photo_from_board @ board_from_drawn, (cols, rows), flags=cv2.INTER_CUBIC
    )
    y, x = np.mgrid[0:rows, 0:cols].astype(np.float32)
    grain = cv2.GaussianBlur(rng.standard_normal(shape).astype(np.float32), (0, 0), 1.6)
    mat = np.array([72.0, 80.0, 92.0]) + (7.0 * grain)[..., None]
    cover = layer[..., 3:].astype(np.float32) / 255.0
    shadow = cv2.GaussianBlur(cover[..., 0], (0, 0), 0.008 * cols)
    shadow = cv2.warpAffine(
        shadow, np.array([[1.0, 0, 0.004 * cols], [0, 1.0, 0.007 * cols]]), (cols, rows)
    )
    mat = mat * (1.0 - 0.5 * shadow)[..., None]
    picture = mat * (1.0 - cover) + layer[..., :3] * cover
    glow = np.exp(
        -(((x - 0.3 * cols) / (0.75 * cols)) ** 2) - ((y - 0.2 * rows) / (0.9 * rows)) ** 2
    )
    picture = picture * (0.84 + 0.34 * glow)[..., None] + 9.0 * glow[..., None]
    picture = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 0.6)
    picture += 1.2 * rng.standard_normal((rows, cols, 1))
    out: NDArray[np.uint8] = np.clip(np.rint(picture), 0, 255).astype(np.uint8)
    return out
