"""What is wrong with a board pack, in sentences."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from hotspot.board import Board, Kind, Role, find_roles
from hotspot.checks import FloatArray
from hotspot.errors import BoardError

# Parts may stand out over the edge (connectors, cards); bodies further out are misplaced.
_EDGE_MM = 1.0
# Landmarks whose spread across their main direction is under this share of that along it do not
# fix a perspective map (Hartley & Zisserman 2e: no three of four points collinear).
_FLAT_SHARE = 0.02
_ENOUGH_LANDMARKS = 4
_MAX_CHIP_MM = 25.0


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong or missing.

    Attributes
    ----------
    severe
        Whether the pack gives wrong or no answers because of it; otherwise a remark.
    sentence
        What, where, and the cure.
    """

    severe: bool
    sentence: str


def check_board(board: Board) -> tuple[Problem, ...]:
    """Return what is wrong with a board that could be read, severe problems first."""
    problems = [
        *_parts(board),
        *_rails(board),
        *_photo(board),
        *(Problem(False, w) for w in board.warnings),
    ]
    return tuple(sorted(problems, key=lambda p: not p.severe))


def _parts(board: Board) -> list[Problem]:
    out: list[Problem] = []
    seen: set[str] = set()
    for part in board.parts:
        if part.ref.casefold() in seen:
            out.append(Problem(True, f"{part.ref} appears twice; each reference may appear once"))
        seen.add(part.ref.casefold())
        if not (part.width_mm > 0 and part.height_mm > 0):
            out.append(Problem(True, f"{part.ref} has no size; give width_mm and height_mm > 0"))
        big = max(part.width_mm, part.height_mm) > _MAX_CHIP_MM
        if big and board.units == "mm" and part.kind in (Kind.CAPACITOR, Kind.RESISTOR, Kind.BEAD):
            size = f"{part.width_mm:g} x {part.height_mm:g} mm"
            out.append(Problem(False, f"{part.ref} is a {part.kind} of {size}; check the unit"))
    off = _off_the_board(board)
    if off:
        out.append(
            Problem(True, f"off the board: {_listed(off)}; check width_mm, height_mm and the unit")
        )
    without = [p.ref for p in board.parts if not p.nets]
    if board.parts and without:
        text = f"nets unknown for {_listed(without)}; these stay weak suspects"
        out.append(Problem(False, text))
    return out


def _off_the_board(board: Board) -> list[str]:
    """Return parts that cannot all lie on a board of the stated size, wherever its origin is."""
    if board.units != "mm" or board.width_mm is None or board.height_mm is None or not board.parts:
        return []
    xy = np.array([(p.x_mm, p.y_mm) for p in board.parts])
    limit = np.array([board.width_mm, board.height_mm]) + 2 * _EDGE_MM
    if (np.ptp(xy, axis=0) <= limit).all():
        return []
    # The origin is free: those far from the middle half of the parts are the misplaced ones.
    middle = np.median(xy, axis=0)
    far = np.abs(xy - middle) > 0.5 * limit + 0.25 * limit
    refs = [p.ref for p, f in zip(board.parts, far.any(axis=1), strict=True) if f]
    return refs or [board.parts[int(np.abs(xy - middle).sum(axis=1).argmax())].ref]


def _rails(board: Board) -> list[Problem]:
    out: list[Problem] = []
    nets = {n.casefold() for p in board.parts for n in p.nets}
    if not board.rails:
        out.append(Problem(False, "no rails; add [[rails]] with name and nominal_v"))
    if nets:
        out += [
            Problem(True, f"ground net {g} is on no part; correct ground in board.toml")
            for g in board.ground
            if g.casefold() not in nets
        ]
    for rail in board.rails:
        if nets and rail.name.casefold() not in nets:
            out.append(Problem(True, f"rail {rail.name} is on no part; correct its name or nets"))
            continue
        roles = set(find_roles(board, rail=rail.name))
        if nets and not roles & {Role.SHUNT, Role.LOAD}:
            out.append(Problem(False, f"no part lies between rail {rail.name} and ground"))
        if rail.nominal_v is None:
            out.append(Problem(False, f"rail {rail.name} has no nominal_v; no safe voltage known"))
        elif rail.max_v is not None and rail.max_v < rail.nominal_v:
            out.append(Problem(True, f"rail {rail.name}: max_v is below nominal_v"))
    return out


def _photo(board: Board) -> list[Problem]:
    out: list[Problem] = []
    if board.photo is None:
        return [Problem(False, "no photo; add photo.jpg or photo.png")]
    try:
        width, height = load_photo_size(board.photo)
    except BoardError as err:
        return [Problem(True, err.sentence)]
    marks = board.photo_landmarks
    if board.units == "photo_px":
        return out
    if len(marks) < _ENOUGH_LANDMARKS:
        text = f"{len(marks)} photo landmarks; four or more tie the photo to the parts"
        return [Problem(len(marks) > 0, text)]
    for name, points in (("board", marks[:, :2]), ("photo", marks[:, 2:])):
        if _is_flat(points):
            out.append(Problem(True, f"the landmarks lie on one line on the {name}; spread them"))
    outside = (marks[:, 2:] < -0.5) | (marks[:, 2:] > np.array([width, height]) - 0.5)
    if outside.any():
        row = int(np.flatnonzero(outside.any(axis=1))[0]) + 1
        out.append(
            Problem(True, f"photo landmark {row} lies outside the {width} x {height} px photo")
        )
    return out


def _is_flat(points: FloatArray) -> bool:
    singular = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return bool(singular[0] == 0 or singular[1] < _FLAT_SHARE * singular[0])


def load_photo_size(path: Path) -> tuple[int, int]:
    """Return (width, height) of a photo in px by its header; nothing is decoded.

    Raises
    ------
    BoardError
        Not a PNG or JPEG picture.
    """
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(path, formats=("PNG", "JPEG")) as picture:
            return int(picture.width), int(picture.height)
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError,
            Image.DecompressionBombError, Image.DecompressionBombWarning) as err:  # fmt: skip
        raise BoardError(
            "is not a readable PNG or JPEG", where=str(path), cure="Save the photo again"
        ) from err


def _listed(refs: list[str]) -> str:
    return ", ".join(refs[:6]) + (f" and {len(refs) - 6} more" if len(refs) > 6 else "")
