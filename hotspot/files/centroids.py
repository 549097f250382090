"""Pick-and-place centroid tables and bills of materials, as the usual design programs export them.

Any delimiter, UTF-8 or UTF-16, remarks first, millimetres, mils or inches (in the header, in a
remark, or behind each value), decimal comma, both sides, bottom side mirrored or not.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from hotspot.errors import BoardError
from hotspot.files.grids import Grid, parse_grid, to_mm_per_unit, to_number
from hotspot.files.tables import load_text

_REF = ("designator", "ref", "refdes", "reference", "referencedesignator", "refdesignator",
        "partreference", "designators", "references", "component", "part", "name")  # fmt: skip
_SYNONYMS = {
    "ref": _REF,
    "x": ("midx", "centerx", "centrex", "xcenter", "xcentre", "posx", "x", "locationx", "xlocation",
          "xpos", "positionx", "xcoord", "coordx", "xcoordinate", "refx", "symx", "compx"),
    "y": ("midy", "centery", "centrey", "ycenter", "ycentre", "posy", "y", "locationy", "ylocation",
          "ypos", "positiony", "ycoord", "coordy", "ycoordinate", "refy", "symy", "compy"),
    "rotation": ("rotation", "rot", "angle", "orientation", "rotationdeg", "theta", "symrotate"),
    "side": ("layer", "side", "tb", "topbottom", "mountside", "boardside", "placementside",
             "mirror"),
    "package": ("package", "footprint", "pattern", "packagename", "footprintname", "case",
                "packagereference", "symname", "decal", "landpattern"),
    "value": ("val", "value", "comment", "partnumber", "description"),
}  # fmt: skip
_TOP = re.compile(r"^(?:t|f|top.*|front.*|f\.cu|component ?side|primary.*|1|no?|false)$", re.I)
_BOTTOM = re.compile(r"^(?:b|bot.*|back.*|b\.cu|solder ?side|secondary.*|2|y(?:es)?|true)$", re.I)
# Without any unit: boards are not wider than this in mm, nor parts closer than this (median of the
# nearest neighbours; the smallest chips are 0.4 mm long). Common practice, no source.
_MAX_SPAN_MM = 1200.0
_MIN_NEIGHBOUR_MM = 0.2


@dataclass(frozen=True, slots=True)
class Placement:
    """One line of a centroid table, in mm, as seen from the top after mirroring is undone."""

    ref: str
    x_mm: float
    y_mm: float
    rotation_deg: float
    side: str
    package: str = ""
    value: str = ""


@dataclass(frozen=True, slots=True)
class Centroids:
    """A centroid table.

    Attributes
    ----------
    placements
        In the order of the file.
    unit_stated
        Whether the file names its unit.
    warnings
        Sentences for the technician.
    """

    placements: tuple[Placement, ...]
    unit_stated: bool
    warnings: tuple[str, ...] = ()


def load_centroids(path: Path, *, unit: str | None = None) -> Centroids:
    """Return the placements in a centroid table.

    Parameters
    ----------
    path
        The file.
    unit
        "mm", "mil" or "inch"; None takes what the file says, and mm where it says nothing.

    Raises
    ------
    BoardError
        Names the file, the line and the cure.
    """
    path = Path(path)
    return parse_centroids(load_text(path, error=BoardError), where=str(path), unit=unit)


def parse_centroids(text: str, *, where: str, unit: str | None = None) -> Centroids:
    """Return the placements in the text of a centroid table."""
    grid = parse_grid(text, synonyms=_SYNONYMS, required=("ref", "x", "y"), where=where)
    mm_x, mm_y = (to_mm_per_unit(unit),) * 2 if unit else _stated_units(grid)
    warnings: list[str] = []
    placements: list[Placement] = []
    seen: dict[str, int] = {}
    suffixed = skipped = 0
    for line, cells in grid.rows:
        ref = grid.cell(cells, "ref")
        x_text, y_text = grid.cell(cells, "x"), grid.cell(cells, "y")
        if not ref or (not x_text and not y_text):
            skipped += 1
            continue
        here = f"{where}, line {line}"
        x, x_suffix = _coordinate(x_text, grid, what="x", ref=ref, where=here)
        y, y_suffix = _coordinate(y_text, grid, what="y", ref=ref, where=here)
        suffixed += x_suffix is not None and y_suffix is not None
        placement = Placement(
            ref=ref,
            x_mm=x * (x_suffix or mm_x or 1.0),
            y_mm=y * (y_suffix or mm_y or 1.0),
            rotation_deg=_rotation(grid.cell(cells, "rotation"), grid, ref=ref, where=here),
            side=_side(grid.cell(cells, "side"), ref=ref, where=here),
            package=grid.cell(cells, "package"),
            value=grid.cell(cells, "value"),
        )
        before = seen.setdefault(ref.casefold(), len(placements))
        if before == len(placements):
            placements.append(placement)
        elif placements[before] != placement:
            raise BoardError(
                f"{ref} appears twice at different places",
                where=here,
                cure="Export one board, not a panel, and one line a part",
            )
    if not placements:
        raise BoardError("holds no part", where=where, cure="Export the placement table again")
    if skipped:
        warnings.append(f"{skipped} lines without a reference or a place were left out")
    if "side" not in grid.columns:
        warnings.append("the centroid table names no side; all parts are taken as on the top")
    stated = mm_x is not None or suffixed == len(placements)
    if not stated:
        placements, text = _guessed_unit(placements)
        warnings.append(text)
    _check_span(placements, where=where)
    return Centroids(tuple(placements), stated, tuple(warnings))


def _stated_units(grid: Grid) -> tuple[float | None, float | None]:
    """Return mm per unit of x and of y; a unit that only one of them states is that of both."""
    x, y = (to_mm_per_unit(grid.titles[m]) for m in ("x", "y"))
    if x is not None or y is not None:
        return (y if x is None else x), (x if y is None else y)
    for remark in grid.remarks:
        if re.search(r"unit|coord|measure|metric|imperial", remark, re.I):
            found = to_mm_per_unit(remark)
            if found is not None:
                return found, found
    return None, None


def _check_span(placements: list[Placement], *, where: str) -> None:
    """Refuse places that no board has, naming the part that lies farthest out."""
    xy = np.array([(p.x_mm, p.y_mm) for p in placements])
    far = np.abs(xy - np.median(xy, axis=0)).max(axis=1)
    if np.ptp(xy, axis=0).max() <= _MAX_SPAN_MM:
        return
    i = int(np.argmax(far))
    raise BoardError(
        f"{placements[i].ref} lies {far[i]:.0f} mm from the middle of the others",
        where=where,
        cure="Export all places in one unit, or say which with --unit",
    )


def _guessed_unit(placements: list[Placement]) -> tuple[list[Placement], str]:
    """Return the placements in the unit that makes a board of them, and a sentence about it."""
    xy = np.array([(p.x_mm, p.y_mm) for p in placements])
    span = float(np.ptp(xy, axis=0).max())
    scale, name = 1.0, "mm"
    if span > _MAX_SPAN_MM:
        scale, name = 0.0254, "mil"
    elif len(xy) >= 4:
        sample = xy[:400]
        apart = np.hypot(*(sample[:, None] - sample[None]).transpose(2, 0, 1))
        np.fill_diagonal(apart, math.inf)
        if float(np.median(apart.min(axis=1))) < _MIN_NEIGHBOUR_MM:
            scale, name = 25.4, "inch"
    moved = [replace(p, x_mm=p.x_mm * scale, y_mm=p.y_mm * scale) for p in placements]
    size = np.ptp(xy, axis=0) * scale
    text = f"the centroid table names no unit; read as {name}: parts span {size[0]:.1f} x "
    return moved, f"{text}{size[1]:.1f} mm"


def _coordinate(
    text: str, grid: Grid, *, what: str, ref: str, where: str
) -> tuple[float, float | None]:
    found = to_number(text, decimal_comma=grid.decimal_comma)
    if found is None or not math.isfinite(found[0]):
        raise BoardError(
            f"{what} of {ref} is not a number: '{text[:30]}'", where=where, cure="Correct it"
        )
    return found


def _rotation(text: str, grid: Grid, *, ref: str, where: str) -> float:
    if not text:
        return 0.0
    found = to_number(text, decimal_comma=True if "," in text else grid.decimal_comma)
    if found is None or not math.isfinite(found[0]):
        raise BoardError(
            f"rotation of {ref} is not a number: '{text[:30]}'", where=where, cure="Correct it"
        )
    return found[0]


def _side(text: str, *, ref: str, where: str) -> str:
    plain = text.strip()
    if not plain or _TOP.match(plain):
        return "top"
    if _BOTTOM.match(plain):
        return "bottom"
    raise BoardError(
        f"side '{text[:20]}' of {ref} is not known", where=where, cure="Use top or bottom"
    )


def load_bill_of_materials(path: Path) -> dict[str, tuple[str, str]]:
    """Return reference (upper case) to (package, value) from a bill of materials.

    Raises
    ------
    BoardError
        No header with references.
    """
    path = Path(path)
    text = load_text(path, error=BoardError)
    grid = parse_grid(text, synonyms=_SYNONYMS, required=("ref",), where=str(path))
    out: dict[str, tuple[str, str]] = {}
    for _, cells in grid.rows:
        for ref in re.split(r"[,;\s]+", grid.cell(cells, "ref")):
            if ref:
                out[ref.upper()] = (grid.cell(cells, "package"), grid.cell(cells, "value"))
    return out
