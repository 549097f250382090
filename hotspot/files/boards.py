"""Board packs: what is on the board, read from and written to a folder."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np

from hotspot.board import Board, Kind, Part, Rail
from hotspot.checks import FloatArray, finite_number, freeze
from hotspot.errors import BoardError
from hotspot.files.tables import (
    Row,
    Table,
    load_table,
    load_toml,
    save_text,
    to_csv_line,
    to_toml_value,
)

FORMAT = 1
PART_COLUMNS = (
    "ref", "kind", "package", "x_mm", "y_mm", "width_mm", "height_mm", "rotation_deg", "side",
    "nets",
)  # fmt: skip
# Nobody clicks more; each is held against the map of all others.
MAX_LANDMARKS = 500
LANDMARK_COLUMNS = ("board_x_mm", "board_y_mm", "photo_x_px", "photo_y_px")
_REQUIRED_PART_COLUMNS = ("ref", "kind", "x_mm", "y_mm", "width_mm", "height_mm")
_PHOTOS = ("photo.png", "photo.jpg", "photo.jpeg")
_SIDES = {"top": "top", "bottom": "bottom", "t": "top", "b": "bottom", "": "top"}
UNITS = ("mm", "photo_px")


def load_board(folder: Path) -> Board:
    """Return the board pack in `folder`.

    Raises
    ------
    BoardError
        Names the file, the line or key, and the cure.
    """
    folder = Path(folder)
    path = folder / "board.toml"
    if not path.is_file():
        what = "no such folder" if not folder.exists() else "holds no board.toml"
        raise BoardError(what, where=str(folder), cure="Give the folder of a board pack")
    keys = _Keys(load_toml(path, error=BoardError), where=str(path))
    version = keys.table.get("format", FORMAT)
    if version != FORMAT:
        raise keys.fault(
            f"format is {version!r}, this program reads format {FORMAT}", "Update the program"
        )
    units = str(keys.table.get("units", "mm"))
    if units not in UNITS:
        raise keys.fault(f"units '{units[:20]}' is not known", "One of mm, photo_px")
    photo = next((folder / name for name in _PHOTOS if (folder / name).is_file()), None)
    parts = _load_parts(folder / "parts.csv") if (folder / "parts.csv").is_file() else ()
    warnings = [] if parts else ["parts.csv is missing or empty: no part can be named"]
    layers = keys.number("copper_layers", positive=True)
    return Board(
        name=str(keys.table.get("name", folder.resolve().name)),
        parts=parts,
        rails=keys.rails(),
        ground=keys.names("ground", default=("GND",)),
        width_mm=keys.number("width_mm", positive=True),
        height_mm=keys.number("height_mm", positive=True),
        thickness_mm=keys.number("thickness_mm", positive=True),
        copper_layers=None if layers is None else int(layers),
        copper_um=keys.number("copper_um", positive=True),
        units=units,
        photo=photo,
        photo_landmarks=load_photo_landmarks(folder / "photo_landmarks.csv"),
        folder=folder,
        warnings=tuple(warnings),
    )


class _Keys:
    """The keys of one table of ``board.toml``, with errors that name them."""

    def __init__(self, table: dict[str, Any], *, where: str) -> None:
        self.table = table
        self.where = where

    def fault(self, what: str, cure: str = "Correct or delete it") -> BoardError:
        return BoardError(what, where=self.where, cure=cure)

    def number(self, key: str, *, positive: bool = False) -> float | None:
        value = self.table.get(key)
        if value is None:
            return None
        number = finite_number(value)
        if number is None:
            raise self.fault(f"{key} must be a number, got {str(value)[:40]!r}")
        if positive and number <= 0:
            raise self.fault(f"{key} must be > 0, got {value!r}")
        return number

    def names(self, key: str, *, default: tuple[str, ...]) -> tuple[str, ...]:
        value = self.table.get(key)
        if value is None:
            return default
        if isinstance(value, str):
            return (value,)
        if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
            raise self.fault(f'{key} must be a list of net names, like ["GND"]')
        return tuple(value)

    def rails(self) -> tuple[Rail, ...]:
        value = self.table.get("rails", [])
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            raise self.fault("rails must be written as [[rails]] tables")
        rails: list[Rail] = []
        for i, table in enumerate(value):
            name = table.get("name")
            if not isinstance(name, str) or not name.strip():
                raise _Keys(table, where=f"{self.where}, [[rails]] {i + 1}").fault(
                    "name is missing", "Give the rail's net name"
                )
            if any(r.name.casefold() == name.casefold() for r in rails):
                raise self.fault(f"two rails are called {name}", "Keep one of them")
            rails.append(_rail(name, _Keys(table, where=f"{self.where}, rail {name}")))
        return tuple(rails)


def _rail(name: str, keys: _Keys) -> Rail:
    place = keys.table.get("inject_at")
    inject_at = None
    if place is not None:
        inner = _Keys(place if isinstance(place, dict) else {}, where=f"{keys.where} inject_at")
        x, y = inner.number("x_mm"), inner.number("y_mm")
        if x is None or y is None:
            raise inner.fault("needs x_mm and y_mm")
        inject_at = (x, y)
    return Rail(
        name=name,
        nominal_v=keys.number("nominal_v"),
        max_v=keys.number("max_v", positive=True),
        healthy_ohm=keys.number("healthy_ohm"),
        healthy_diode_v=keys.number("healthy_diode_v"),
        inject_at_mm=inject_at,
    )


def _load_parts(path: Path) -> tuple[Part, ...]:
    table = load_table(path, required=_REQUIRED_PART_COLUMNS, error=BoardError)
    parts: list[Part] = []
    seen: dict[str, int] = {}
    for row in table.rows:
        part = _part(table, row)
        before = seen.setdefault(part.ref.casefold(), row.line)
        if before != row.line:
            raise BoardError(
                f"{part.ref} is already on line {before}",
                where=table.where(row),
                cure="Each reference may appear once",
            )
        parts.append(part)
    return tuple(parts)


def _part(table: Table, row: Row) -> Part:
    ref = row.cells["ref"]
    if not ref:
        raise BoardError("ref is empty", where=table.where(row), cure="Give the part's reference")
    kind = row.cells["kind"].casefold().replace(" ", "_").replace("-", "_")
    if kind not in tuple(Kind):
        raise BoardError(
            f"kind '{row.cells['kind'][:30]}' of {ref} is not known",
            where=table.where(row),
            cure=f"One of {', '.join(Kind)}",
        )
    side = row.cells.get("side", "").casefold()
    if side not in _SIDES:
        raise BoardError(
            f"side '{side[:20]}' of {ref} is not known",
            where=table.where(row),
            cure="top or bottom",
        )
    width, height = table.number(row, "width_mm"), table.number(row, "height_mm")
    if width <= 0 or height <= 0:
        raise BoardError(
            f"{ref} has width {width:g} and height {height:g}",
            where=table.where(row),
            cure="Both must be > 0",
        )
    return Part(
        ref=ref,
        kind=Kind(kind),
        package=row.cells.get("package", ""),
        x_mm=table.number(row, "x_mm"),
        y_mm=table.number(row, "y_mm"),
        width_mm=width,
        height_mm=height,
        rotation_deg=table.optional_number(row, "rotation_deg") or 0.0,
        side=_SIDES[side],
        nets=tuple(n.strip() for n in row.cells.get("nets", "").split(";") if n.strip()),
    )


def load_photo_landmarks(path: Path) -> FloatArray:
    """Return (n, 4) rows board x, board y, photo x, photo y; (0, 4) when there is no such file.

    Raises
    ------
    BoardError
        A line cannot be read.
    """
    if not path.is_file():
        return freeze(np.zeros((0, 4)))
    table = load_table(path, required=LANDMARK_COLUMNS, error=BoardError)
    if len(table.rows) > MAX_LANDMARKS:
        raise BoardError(
            f"holds {len(table.rows)} landmarks, at most {MAX_LANDMARKS} are used",
            where=str(path),
            cure="Keep four to eight",
        )
    rows = [[table.number(row, c) for c in LANDMARK_COLUMNS] for row in table.rows]
    return freeze(np.array(rows, dtype=np.float64).reshape(-1, 4))


def save_board(board: Board, folder: Path) -> None:
    """Write a board pack; each file is written whole or not at all, the photo is copied in.

    Raises
    ------
    BoardError
        The folder cannot be written, or a net name holds the separator.
    """
    folder = Path(folder)
    for part in board.parts:
        for net in part.nets:
            if ";" in net:
                raise BoardError(f"net name '{net}' of {part.ref} holds a ';'", cure="Rename it")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        save_text(_parts_to_csv(board.parts), folder / "parts.csv")
        if len(board.photo_landmarks):
            lines = [",".join(LANDMARK_COLUMNS) + "\n"]
            lines += [to_csv_line(float(v) for v in row) for row in board.photo_landmarks]
            save_text("".join(lines), folder / "photo_landmarks.csv")
        if board.photo is not None:
            suffix = ".png" if board.photo.suffix.lower() == ".png" else ".jpg"
            target = folder / f"photo{suffix}"
            if not target.exists() or not target.samefile(board.photo):
                shutil.copyfile(board.photo, target)
        save_text(_board_to_toml(board), folder / "board.toml")
    except OSError as err:
        raise BoardError(
            f"cannot be written ({err.strerror or err})", where=str(folder), cure="Check the disk"
        ) from err


def _parts_to_csv(parts: tuple[Part, ...]) -> str:
    lines = [",".join(PART_COLUMNS) + "\n"]
    for p in parts:
        numbers = (p.x_mm, p.y_mm, p.width_mm, p.height_mm, p.rotation_deg)
        cells = (p.ref, str(p.kind), p.package, *map(float, numbers), p.side, ";".join(p.nets))
        lines.append(to_csv_line(cells))
    return "".join(lines)


def _board_to_toml(board: Board) -> str:
    entries: dict[str, object] = {
        "format": FORMAT,
        "name": board.name,
        "units": board.units if board.units != "mm" else None,
        "width_mm": board.width_mm,
        "height_mm": board.height_mm,
        "thickness_mm": board.thickness_mm,
        "copper_layers": board.copper_layers,
        "copper_um": board.copper_um,
        "ground": list(board.ground),
    }
    lines = [f"{k} = {to_toml_value(v)}\n" for k, v in entries.items() if v is not None]
    for rail in board.rails:
        fields: dict[str, object] = {
            "name": rail.name,
            "nominal_v": rail.nominal_v,
            "max_v": rail.max_v,
            "healthy_ohm": rail.healthy_ohm,
            "healthy_diode_v": rail.healthy_diode_v,
        }
        if rail.inject_at_mm is not None:
            fields["inject_at"] = {"x_mm": rail.inject_at_mm[0], "y_mm": rail.inject_at_mm[1]}
        lines.append("\n[[rails]]\n")
        lines += [f"{k} = {to_toml_value(v)}\n" for k, v in fields.items() if v is not None]
    return "".join(lines)
