"""The part map as a picture: bodies and references over the board photo, or on plain paper."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon
from numpy.typing import NDArray
from PIL import Image

from hotspot.board import Board, Kind, Part, Role, find_roles
from hotspot.checks import FloatArray
from hotspot.errors import BoardError
from hotspot.evidence import paper
from hotspot.evidence.photos import load_pixels
from hotspot.register.from_landmarks import fit_board_from_photo
from hotspot.register.registration import PlaneMap

_MARGIN_PX = 40
_HEAD_PX = 96
_FOOT_PX = 92
_PICTURE_PX = paper.WIDTH_PX - 2 * _MARGIN_PX
_TALLEST_PX = 2000
# Okabe & Ito's set of colours that colour-blind people tell apart (Color Universal Design, 2008).
_ORANGE, _SKY, _GREEN, _YELLOW, _BLUE, _RED, _PINK = (
    "#e69f00", "#56b4e9", "#009e73", "#f0e442", "#0072b2", "#d55e00", "#cc79a7",
)  # fmt: skip
_GREY, _DARK = "#8b949e", "#101418"
_Box = tuple[float, float, float, float]  # least x, least y, most x, most y, in picture px


@dataclass(frozen=True, slots=True)
class _Style:
    words: str
    colour: str
    line: Literal["-", "--", ":"] = "-"
    width_px: float = 2.0


_BY_ROLE = {
    Role.SHUNT: _Style("rail to ground", _RED, "-", 3.2),
    Role.LOAD: _Style("fed by the rail", _BLUE, "-", 3.2),
    Role.SERIES: _Style("in the path of the current", _YELLOW, "--", 3.2),
    Role.UNKNOWN: _Style("nets unknown", _PINK, ":", 2.4),
    Role.UNRELATED: _Style("not on the rail", _GREY, "-", 1.2),
}
_BY_KIND = {
    Kind.CAPACITOR: _Style("capacitor", _ORANGE),
    Kind.RESISTOR: _Style("resistor", _SKY),
    Kind.INDUCTOR: _Style("inductor, bead", _YELLOW, "--"),
    Kind.BEAD: _Style("inductor, bead", _YELLOW, "--"),
    Kind.IC: _Style("ic", _BLUE, "-", 2.6),
    Kind.DIODE: _Style("diode, transistor", _PINK),
    Kind.TRANSISTOR: _Style("diode, transistor", _PINK),
    Kind.FUSE: _Style("fuse", _RED, "--"),
}
_OTHER = _Style("other", _GREEN, ":")


def build_board_figure(board: Board, *, side: str = "top", rail: str | None = None) -> Figure:
    """Return the part map of one side.

    Parameters
    ----------
    board
        With a photo and its landmarks the parts are drawn over the photo, else on plain paper.
    side
        "top" or "bottom". The photo is taken to show the top; the bottom is drawn on paper, as
        seen through the board.
    rail
        Colour parts by their role on this rail instead of by kind.

    Raises
    ------
    BoardError
        No part to draw, an unknown rail, or a photo that cannot be read.
    RegistrationError
        The photo's landmarks do not fix a map.
    """
    if side not in ("top", "bottom"):
        raise ValueError(f"side must be 'top' or 'bottom', got {side!r}")
    parts = [p for p in board.parts if p.side == side]
    if not parts:
        raise BoardError(
            f"board '{board.name}' has no part on its {side}", cure="Fill parts.csv, or draw --side"
        )
    if rail is not None:
        rail = _known_rail(board, rail)
    picture, picture_from_board, on_photo = _ground(board, parts, side)
    rows, cols = picture.shape[:2]
    figure = paper.new_sheet(height_px=_HEAD_PX + rows + _FOOT_PX)
    axes = paper.add_box(figure, _MARGIN_PX + 0.5 * (_PICTURE_PX - cols), _HEAD_PX, (cols, rows))
    axes.imshow(picture, interpolation="antialiased", aspect="auto")
    axes.set_xlim(-0.5, cols - 0.5)
    axes.set_ylim(rows - 0.5, -0.5)
    paper.clear_axes(axes)
    roles = {} if rail is None else _roles(board, rail)
    styles = {p.ref: _style(p, roles) for p in parts}
    _draw_parts(axes, parts, styles, picture_from_board, on_photo=on_photo)
    if board.units == "mm":
        _draw_scale(axes, picture_from_board, (rows, cols), on_photo=on_photo)
    _write_head(figure, board, parts, side=side, rail=rail)
    _write_legend(figure, styles, top_px=_HEAD_PX + rows + 18)
    return figure


def _known_rail(board: Board, rail: str) -> str:
    nets = {n.casefold(): n for p in board.parts for n in p.nets}
    known = board.rail(rail)
    name = known.name if known is not None else nets.get(rail.casefold())
    if name is None:
        rails = ", ".join(r.name for r in board.rails) or "none"
        raise BoardError(f"rail {rail} is not on board '{board.name}'", cure=f"Rails: {rails}")
    return name


def _roles(board: Board, rail: str) -> dict[str, Role]:
    return dict(zip((p.ref for p in board.parts), find_roles(board, rail=rail), strict=True))


def _style(part: Part, roles: dict[str, Role]) -> _Style:
    return _BY_ROLE[roles[part.ref]] if roles else _BY_KIND.get(part.kind, _OTHER)


def _ground(
    board: Board, parts: list[Part], side: str
) -> tuple[NDArray[np.uint8], FloatArray, bool]:
    """Return the picture to draw on, the map board to picture, and whether it is the photo."""
    tied = board.units == "photo_px" or len(board.photo_landmarks) >= 2
    if board.photo is None or not tied or side != "top":
        return (*_plain_ground(parts, y_up=board.units == "mm"), False)
    photo = load_pixels(Path(str(board.photo)), where=str(board.photo))
    photo_from_board: FloatArray = np.eye(3)
    if board.units == "mm":
        photo_from_board = fit_board_from_photo(board)[0].inverse().matrix
    factor = min(_PICTURE_PX / photo.shape[1], _TALLEST_PX / photo.shape[0])
    size = (max(1, round(photo.shape[1] * factor)), max(1, round(photo.shape[0] * factor)))
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    picture = np.asarray(cv2.resize(photo, size, interpolation=how), dtype=np.uint8)
    # Pixel centres stay where they are: (x + 1/2) * factor - 1/2.
    shift = 0.5 * factor - 0.5
    zoom = np.array([[factor, 0, shift], [0, factor, shift], [0, 0, 1.0]])
    return _mute(picture), zoom @ photo_from_board, True


def _plain_ground(parts: list[Part], *, y_up: bool) -> tuple[NDArray[np.uint8], FloatArray]:
    corners = np.concatenate([p.corners_mm() for p in parts])
    low, high = corners.min(axis=0), corners.max(axis=0)
    air = 0.04 * float((high - low).max()) + 1e-6
    low, high = low - air, high + air
    width, height = high - low
    factor = min(_PICTURE_PX / width, _TALLEST_PX / height)
    cols, rows = max(1, round(width * factor)), max(1, round(height * factor))
    picture = np.full((rows, cols, 3), 246, dtype=np.uint8)
    sign = -1.0 if y_up else 1.0
    start_y = high[1] if y_up else low[1]
    return picture, np.array(
        [[factor, 0, -factor * low[0]], [0, sign * factor, -sign * factor * start_y], [0, 0, 1.0]]
    )


def _mute(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the photo half way to its own grey and darker: the colours belong to the marks."""
    grey = picture.mean(axis=2, keepdims=True)
    return np.asarray(0.75 * (0.6 * picture + 0.4 * grey), dtype=np.uint8)


def _draw_parts(
    axes: Axes,
    parts: list[Part],
    styles: dict[str, _Style],
    picture_from_board: FloatArray,
    *,
    on_photo: bool,
) -> None:
    plane = PlaneMap(matrix=picture_from_board, parameter_cov=np.zeros((8, 8)))
    bodies: dict[str, _Box] = {}
    # Small parts last, so that they are not hidden by a big one around them.
    for part in sorted(parts, key=lambda p: -p.width_mm * p.height_mm):
        style = styles[part.ref]
        corners = plane.map(part.corners_mm())
        (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
        bodies[part.ref] = (float(x0), float(y0), float(x1), float(y1))
        axes.add_patch(
            Polygon(corners, closed=True, fill=False, edgecolor=style.colour,
                    linestyle=style.line, linewidth=paper.points(style.width_px),
                    path_effects=paper.halo(style.width_px + 2.0, _DARK if on_photo else "#59626d"))
        )  # fmt: skip
    taken: list[_Box] = []
    unrelated = _BY_ROLE[Role.UNRELATED]
    order = sorted(parts, key=lambda p: (styles[p.ref] is unrelated, -p.width_mm * p.height_mm))
    for part in order:
        _label(axes, part, bodies, taken, on_photo)


def _label(
    axes: Axes, part: Part, bodies: dict[str, _Box], taken: list[_Box], on_photo: bool
) -> None:
    """Write the reference in the body, or beside a small one, where it hides no other."""
    low_x, low_y, high_x, high_y = bodies[part.ref]
    x, y = 0.5 * (low_x + high_x), 0.5 * (low_y + high_y)
    size_px = float(np.clip(0.42 * min(high_x - low_x, high_y - low_y), 10, 18))
    width, height = 0.66 * size_px * len(part.ref), 1.15 * size_px
    dx, dy = 0.5 * (high_x - low_x + width) + 2, 0.5 * (high_y - low_y + height) + 1
    beside = [(x, y - dy), (x, y + dy), (x + dx, y), (x - dx, y)]
    small = height > 0.8 * (high_y - low_y) or width > high_x - low_x
    places = [*beside, (x, y)] if small else [(x, y), *beside]
    obstacles = [b for ref, b in bodies.items() if ref != part.ref] if small else []
    for avoided in (obstacles, []):  # when all is full, a body may be written over, a word never
        for at_x, at_y in places:
            box = (at_x - width / 2, at_y - height / 2, at_x + width / 2, at_y + height / 2)
            if any(_overlap(box, other) for other in (*taken, *avoided)):
                continue
            taken.append(box)
            axes.text(at_x, at_y, paper.printable(part.ref), ha="center", va="center",
                      fontsize=paper.points(size_px), family=paper.FONT, parse_math=False,
                      clip_on=True, **_ink(on_photo))  # fmt: skip
            return


def _overlap(a: _Box, b: _Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _ink(on_photo: bool) -> dict[str, Any]:
    """Return the style of words on the picture: light in a dark halo on a photo, else dark."""
    if on_photo:
        return {"color": "white", "path_effects": paper.halo(2.6, _DARK)}
    return {"color": paper.INK, "path_effects": paper.halo(2.0, "#f6f6f6")}


def _draw_scale(
    axes: Axes, picture_from_board: FloatArray, shape: tuple[int, int], *, on_photo: bool
) -> None:
    rows, cols = shape
    plane = PlaneMap(matrix=picture_from_board, parameter_cov=np.zeros((8, 8)))
    middle = plane.inverse().map(np.array([0.5 * cols, 0.5 * rows]))
    px_per_mm = float(np.sqrt(abs(np.linalg.det(plane.jacobian(middle)))))
    lengths_mm = (0.5, 1, 2, 5, 10, 20, 50, 100)
    length_mm = max((s for s in lengths_mm if s * px_per_mm < 0.25 * cols), default=0.5)
    y, x0 = rows - 22.0, cols - 24.0 - length_mm * px_per_mm
    ink = _ink(on_photo)
    axes.add_line(
        Line2D([x0, x0 + length_mm * px_per_mm], [y, y], color=ink["color"],
               linewidth=paper.points(4), path_effects=ink["path_effects"])
    )  # fmt: skip
    axes.text(x0 + 0.5 * length_mm * px_per_mm, y - 8, f"{length_mm:g} mm", ha="center",
              va="bottom", fontsize=paper.points(15), family=paper.FONT, **ink)  # fmt: skip


def _write_head(
    figure: Figure, board: Board, parts: list[Part], *, side: str, rail: str | None
) -> None:
    paper.write(figure, board.name, at=(_MARGIN_PX, 24), size_px=26, fontweight="bold")
    text = f"{len(parts)} parts on the {side}"
    if side == "bottom":
        text += ", seen through the board from the top"
    if rail is not None:
        roles = _roles(board, rail)
        shunts = [p for p in parts if roles[p.ref] is Role.SHUNT]
        text += f"; rail {rail}: {len(shunts)} of them between rail and ground"
    elif board.rails:
        text += f"; rails: {', '.join(r.name for r in board.rails[:6])}"
    paper.write(figure, text, at=(_MARGIN_PX, 62), size_px=16, color=paper.MUTED)


def _write_legend(figure: Figure, styles: dict[str, _Style], *, top_px: float) -> None:
    counts: dict[str, int] = {}
    by_words = {}
    for style in styles.values():
        counts[style.words] = counts.get(style.words, 0) + 1
        by_words[style.words] = style
    handles = [
        Line2D([], [], color=s.colour, linestyle=s.line, linewidth=paper.points(3),
               label=f"{words} ({counts[words]})")
        for words, s in sorted(by_words.items(), key=lambda item: -counts[item[0]])
    ]  # fmt: skip
    width_px, height_px = figure.get_size_inches() * paper.DPI
    figure.legend(
        handles=handles, loc="upper left", ncols=min(len(handles), 7), frameon=False,
        bbox_to_anchor=(_MARGIN_PX / width_px, 1 - top_px / height_px),
        prop={"family": paper.FONT, "size": paper.points(15)}, labelcolor=paper.INK,
        borderpad=0, borderaxespad=0, handlelength=2.2,
    )  # fmt: skip


def draw_board(board: Board, *, side: str = "top", rail: str | None = None) -> bytes:
    """Return the part map of one side as a PNG file; see `build_board_figure`."""
    pixels = paper.to_pixels(build_board_figure(board, side=side, rail=rail))
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, format="PNG")
    return out.getvalue()
