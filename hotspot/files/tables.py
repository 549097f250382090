"""Small text files: TOML and CSV read with forgiveness where the meaning is plain, written whole.

Forgiven: a byte-order mark, UTF-16, CRLF, blank lines, ``#`` comment lines, quotes, spaces around
names, another delimiter than the comma, and a decimal comma where the delimiter is not one.
Everything else is an error that names the file and the line or key.
"""

from __future__ import annotations

import contextlib
import csv
import math
import os
import re
import tempfile
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hotspot.errors import InputError

MAX_TEXT_BYTES = 64 << 20  # frames.csv of a day at 25 Hz is 40 MB; anything larger is no table
DELIMITERS = ",;\t|"
# A day at 25 Hz has 2.2 million lines; each line of a table takes some hundred bytes of memory.
MAX_ROWS = 2_500_000
MAX_COLUMNS = 200
MAX_TOML_BYTES = 1 << 20
# Keys such as a.b.c: the parser's time grows with the square of the parts.
_KEY_PART = r"""(?:[\w-]++|"[^"\n]{0,99}+"|'[^'\n]{0,99}+')"""
_LONG_KEY = re.compile(rf"(?<![\w-])(?:{_KEY_PART}[ \t]*+\.[ \t]*+){{40}}")


def load_text(path: Path, *, error: type[InputError], max_bytes: int = MAX_TEXT_BYTES) -> str:
    """Return the text of `path`, line ends unified, byte-order mark taken off.

    Raises
    ------
    InputError
        The given child: missing, unreadable, too large or not text.
    """
    where = str(path)
    try:
        if not path.is_file():
            raise error("no such file", where=where, cure="Check the name, or copy the file again")
        size = path.stat().st_size
        if size > max_bytes:
            raise error(
                f"{size / 2**20:.0f} MB is too large for a text file of this kind "
                f"(at most {max_bytes / 2**20:.0f} MB)",
                where=where,
                cure="Check that it is the right file",
            )
        data = path.read_bytes()
    except OSError as err:
        raise error(f"cannot be read ({err.strerror or err})", where=where) from err
    return to_text(data, where=where, error=error)


def to_text(data: bytes, *, where: str, error: type[InputError]) -> str:
    """Return `data` as text: UTF-8 or UTF-16 by its byte-order mark, else UTF-8, else Latin-1."""
    try:
        if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
            text = data.decode("utf-16")
        elif data[1:2] == b"\x00" and data[3:4] == b"\x00":
            text = data.decode("utf-16-le")  # UTF-16 without a mark, as some exports write it
        else:
            text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    text = text.rstrip("\x00")  # what a power cut leaves behind the last whole line
    if "\x00" in text:
        raise error("is not a text file", where=where, cure="Check that it is the right file")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def load_toml(path: Path, *, error: type[InputError]) -> dict[str, Any]:
    """Return the table in a TOML file.

    Raises
    ------
    InputError
        The given child, with the line that cannot be read.
    """
    text = load_text(path, error=error, max_bytes=MAX_TOML_BYTES)
    if _LONG_KEY.search(text):
        raise error("has a key of more than 40 parts", where=str(path), cure="Shorten it")
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as err:
        raise error(
            f"is not valid TOML: {err}", where=str(path), cure="Mend the line named here"
        ) from err


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table: its number in the file (from 1) and its cells by column name."""

    line: int
    cells: dict[str, str]


@dataclass(frozen=True, slots=True)
class Table:
    """A table read from a text file.

    Attributes
    ----------
    path
        For messages.
    columns
        Names as in the header, lower case.
    rows
        The lines.
    decimal_comma
        Whether "1,5" is a number here.
    ends_whole
        Whether the last line ends with a line end; a crash may cut it.
    """

    path: Path
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    decimal_comma: bool
    ends_whole: bool
    error: type[InputError]

    def where(self, row: Row) -> str:
        """Return "file, line n"."""
        return f"{self.path}, line {row.line}"

    def number(self, row: Row, column: str) -> float:
        """Return the finite number in `column`.

        Raises
        ------
        InputError
            Empty, not a number or not finite.
        """
        value = self.optional_number(row, column)
        if value is None:
            raise self.error(f"{column} is empty", where=self.where(row), cure="Give a number")
        return value

    def optional_number(self, row: Row, column: str) -> float | None:
        """Return the number in `column`, None when the cell is empty or the column missing."""
        text = row.cells.get(column, "").strip()
        if not text:
            return None
        plain = text.replace(",", ".") if self.decimal_comma and text.count(",") == 1 else text
        try:
            value = float(plain)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise self.error(
                f"{column} is not a number: '{text[:40]}'", where=self.where(row), cure="Correct it"
            )
        return value


def load_table(
    path: Path,
    *,
    required: Sequence[str],
    error: type[InputError],
    cut_last_line: bool = False,
) -> Table:
    """Return the table in a CSV file whose header holds the `required` columns.

    Parameters
    ----------
    path
        The file.
    required
        Column names that must be there, in any order; further columns are kept.
    error
        The kind of error to raise.
    cut_last_line
        Leave out a last line without a line end or with too few cells (a crash cut it).

    Raises
    ------
    InputError
        No header, a column missing, or a line with another number of cells.
    """
    text = load_text(path, error=error)
    if text.count("\n") > MAX_ROWS:
        raise error(
            f"has more than {MAX_ROWS} lines",
            where=str(path),
            cure="Check that it is the right file",
        )
    lines = text.split("\n")
    first = next((i for i, s in enumerate(lines) if s.strip() and not _is_comment(s)), None)
    header_cure = f"The first line must be: {','.join(required)}"
    if first is None:
        raise error("is empty", where=str(path), cure=header_cure)
    delimiter = sniff_delimiter(lines[first])
    columns = tuple(c.strip().strip('"').strip().casefold() for c in lines[first].split(delimiter))
    body = lines[first + 1 :]
    if len(columns) > MAX_COLUMNS:
        raise error(
            f"has {len(columns)} columns, at most {MAX_COLUMNS} are read",
            where=str(path),
            cure="Check that it is the right file",
        )
    missing = [c for c in required if c not in columns]
    if missing:
        raise error(
            f"column {missing[0]} is missing (found: {', '.join(columns)[:120]})",
            where=f"{path}, line {first + 1}",
            cure=header_cure,
        )
    if len(set(columns)) != len(columns):
        raise error("two columns have one name", where=f"{path}, line {first + 1}")
    ends_whole = text.endswith("\n")
    if cut_last_line and not ends_whole:
        body = body[:-1]
    rows = []
    for line, cells in _split(
        body, delimiter=delimiter, first_line=first + 2, path=path, error=error
    ):
        if len(cells) < len(columns) and not any(cells[len(required) :]):
            cells = [*cells, *[""] * (len(columns) - len(cells))]
        if len(cells) > len(columns) and not any(c.strip() for c in cells[len(columns) :]):
            cells = cells[: len(columns)]  # a trailing delimiter
        if len(cells) != len(columns):
            raise error(
                f"{len(cells)} cells where the header has {len(columns)}",
                where=f"{path}, line {line}",
                cure="Correct or delete the line",
            )
        rows.append(Row(line, dict(zip(columns, (c.strip() for c in cells), strict=True))))
    return Table(path, columns, tuple(rows), delimiter != ",", ends_whole, error)


def sniff_delimiter(line: str) -> str:
    """Return the delimiter that `line` holds most of; the comma when there is none."""
    return max(DELIMITERS, key=line.count)


def _is_comment(line: str) -> bool:
    return line.lstrip().startswith("#")


def _split(
    lines: list[str], *, delimiter: str, first_line: int, path: Path, error: type[InputError]
) -> Iterable[tuple[int, list[str]]]:
    for number, line in enumerate(lines, start=first_line):
        if not line.strip() or _is_comment(line):
            continue
        if '"' not in line:
            yield number, line.split(delimiter)
            continue
        try:
            yield number, next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))
        except (csv.Error, StopIteration) as err:
            raise error(f"cannot be read: {err}", where=f"{path}, line {number}") from err


def save_text(text: str, path: Path) -> None:
    """Write `text` to `path` whole or not at all (a temporary file beside it, then a rename)."""
    save_bytes(text.encode("utf-8"), path)


def save_bytes(data: bytes, path: Path) -> None:
    """Write `data` to `path` whole or not at all."""
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(temporary).chmod(0o644)
        Path(temporary).replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            Path(temporary).unlink()
        raise


def to_csv_line(cells: Iterable[object]) -> str:
    """Return one CSV line; numbers with all digits that matter, None and NaN as empty cells."""
    out = []
    for cell in cells:
        if cell is None or (isinstance(cell, float) and math.isnan(cell)):
            out.append("")
        elif isinstance(cell, float):
            out.append(repr(float(cell)))
        else:
            text = str(cell)
            quote = any(c in text for c in ',"\n\r') or text != text.strip() or text[:1] == "#"
            out.append('"' + text.replace('"', '""') + '"' if quote else text)
    return ",".join(out) + "\n"


def to_toml_value(value: object) -> str:
    """Return a scalar, a list or an inline table as TOML text."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(float(value)) if math.isfinite(value) else str(value)
    if isinstance(value, dict):
        return "{" + ", ".join(f"{k} = {to_toml_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(to_toml_value(v) for v in value) + "]"
    out = ['"']
    for char in str(value):
        if char in '"\\':
            out.append("\\" + char)
        elif ord(char) < 0x20 or ord(char) == 0x7F:
            out.append(f"\\u{ord(char):04x}")
        else:
            out.append(char)
    return "".join([*out, '"'])
