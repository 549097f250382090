"""Text tables of unknown habit: which delimiter, where the header is, which decimal mark."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from hotspot.errors import BoardError

MAX_HEADER_LINES = 80  # exports put a page of remarks first at most
_MM = {
    "mm": 1.0, "mil": 0.0254, "mils": 0.0254, "th": 0.0254, "thou": 0.0254, "in": 25.4,
    "inch": 25.4, "inches": 25.4, '"': 25.4, "cm": 10.0, "um": 0.001, "µm": 0.001, "μm": 0.001,
    "millimeter": 1.0, "millimeters": 1.0, "millimetre": 1.0, "metric": 1.0, "micron": 0.001,
    "microns": 0.001, "imperial": 25.4,
}  # fmt: skip
# Meanings as the technician calls them.
_NAMES = {"ref": "reference", "x": "x position", "y": "y position"}
_NUMBER = re.compile(r"^([+-]?(?:\d[\d.,' ]*|[.,]\d+)(?:[eE][+-]?\d+)?)\s*([a-zA-Zµμ\"°]*)\.?$")


@dataclass(frozen=True, slots=True)
class Grid:
    """A table with its columns named by what they mean.

    Attributes
    ----------
    columns
        Meaning to column number.
    titles
        Meaning to the header's own words.
    rows
        (line number, cells).
    remarks
        The lines above the header.
    decimal_comma
        Whether a lone comma in a number is a decimal mark.
    """

    columns: dict[str, int]
    titles: dict[str, str]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    remarks: tuple[str, ...]
    decimal_comma: bool

    def cell(self, cells: Sequence[str], meaning: str) -> str:
        """Return the cell of that meaning, "" when the table has none."""
        i = self.columns.get(meaning)
        return cells[i] if i is not None and i < len(cells) else ""


def parse_grid(
    text: str, *, synonyms: Mapping[str, Sequence[str]], required: Sequence[str], where: str
) -> Grid:
    """Return the table in `text`.

    Parameters
    ----------
    text
        The file.
    synonyms
        Meaning to header words, the preferred first, in the form `plain_title` gives.
    required
        Meanings without which a line is not the header.
    where
        The file, for messages.

    Raises
    ------
    BoardError
        No header found, or a line with another number of cells.
    """
    if not text.strip():
        raise BoardError("is empty", where=where, cure="Export the table again")
    lines = text.split("\n")
    nearly: tuple[int, int, set[str]] = (0, 0, set())  # meanings found, line, all of them
    for first, line in enumerate(lines[:MAX_HEADER_LINES]):
        for split in _splitters(line):
            titles = split(line.lstrip("# \t") if line.lstrip().startswith("#") else line)
            columns = _meanings(titles, synonyms)
            nearly = max(nearly, (len(columns), -first - 1, set(columns)), key=lambda n: n[:2])
            if all(r in columns for r in required):
                rows = _rows(lines, first + 1, split, width=len(titles), where=where)
                comma = split is not _by_comma
                return Grid(
                    columns=columns,
                    titles={m: titles[i] for m, i in columns.items()},
                    rows=rows,
                    remarks=tuple(lines[:first]) + tuple(s for s in lines if s.startswith("##")),
                    decimal_comma=comma or _quoted_decimal_comma(rows, columns),
                )
    # One word may be in a remark by chance; two in one line are a header with something missing.
    if nearly[0] >= min(2, len(required)):
        missing = " and ".join(_NAMES[r] for r in required if r not in nearly[2])
        raise BoardError(
            f"the header has no column of the {missing}",
            where=f"{where}, line {-nearly[1]}",
            cure="Export the table again with it, or name the column in the header",
        )
    wanted = [_NAMES[r] for r in required]
    words = wanted[0] if len(wanted) == 1 else f"{', '.join(wanted[:-1])} and {wanted[-1]}"
    raise BoardError(
        f"no header line that names the columns of the {words}",
        where=where,
        cure="Export again with a header line",
    )


def plain_title(title: str) -> str:
    """Return a header's words without case, punctuation and unit: "Center-X(mm)" is "centerx"."""
    without_unit = re.sub(r"[(\[<].*?[)\]>]", "", title.casefold())
    without_unit = re.sub(r"[\s_\-](?:mm|mils?|inch(?:es)?|in|deg)$", "", without_unit.strip())
    return re.sub(r"[^a-z0-9]", "", without_unit)


def to_mm_per_unit(text: str) -> float | None:
    """Return mm per unit named in a header or remark ("PosX [mil]", "## Unit = mm"), or None."""
    words = re.findall(r"[a-zA-Zµμ]+", text.casefold())
    found = {_MM[w] for w in words if w in _MM}
    return found.pop() if len(found) == 1 else None


def to_number(text: str, *, decimal_comma: bool) -> tuple[float, float | None] | None:
    """Return (value, mm per unit of its suffix or None); None when it is not a number."""
    found = _NUMBER.match(text.strip())
    if not found:
        return None
    digits, suffix = found[1].replace(" ", "").replace("'", ""), found[2].casefold()
    if "," in digits and "." in digits:  # the later one is the decimal mark
        thousands = "," if digits.rfind(".") > digits.rfind(",") else "."
        digits = digits.replace(thousands, "").replace(",", ".")
    elif "," in digits:
        if not decimal_comma or digits.count(",") > 1:
            return None
        digits = digits.replace(",", ".")
    try:
        value = float(digits)
    except ValueError:
        return None
    if suffix in ("", "°", "deg", "degrees"):
        return value, None
    return (value, _MM[suffix]) if suffix in _MM else None


def _by_comma(line: str) -> list[str]:
    return _split(line, ",")


def _by_semicolon(line: str) -> list[str]:
    return _split(line, ";")


def _by_tab(line: str) -> list[str]:
    return _split(line, "\t")


def _by_bar(line: str) -> list[str]:
    return _split(line.strip().strip("|"), "|")


def _by_colon(line: str) -> list[str]:
    return _split(line, ":")


def _by_columns(line: str) -> list[str]:
    return re.split(r"\s{2,}|\t", line.strip())


def _by_spaces(line: str) -> list[str]:
    return line.split()


def _split(line: str, delimiter: str) -> list[str]:
    try:
        cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        cells = line.split(delimiter)
    return [c.strip() for c in cells]


def _splitters(line: str) -> list[Callable[[str], list[str]]]:
    by_mark = {",": _by_comma, ";": _by_semicolon, "\t": _by_tab, "|": _by_bar, ":": _by_colon}
    marks = sorted((m for m in by_mark if m in line), key=line.count, reverse=True)
    return [*(by_mark[m] for m in marks), _by_spaces, _by_columns]


def _meanings(titles: Sequence[str], synonyms: Mapping[str, Sequence[str]]) -> dict[str, int]:
    plain = [plain_title(t) for t in titles]
    out: dict[str, int] = {}
    for meaning, words in synonyms.items():
        for word in words:
            if word in plain:
                out[meaning] = plain.index(word)
                break
    return out


def _rows(
    lines: Sequence[str],
    first: int,
    split: Callable[[str], list[str]],
    *,
    width: int,
    where: str,
) -> tuple[tuple[int, tuple[str, ...]], ...]:
    rows = []
    for number, line in enumerate(lines[first:], start=first + 1):
        if not line.strip(" ,;:\t|") or line.lstrip().startswith("#"):
            continue
        cells = split(line)
        if len(cells) == 1 and width > 2:
            continue  # a remark below the table ("End of file")
        if len(cells) > width and not any(cells[width:]):
            cells = cells[:width]
        if len(cells) > width:
            raise BoardError(
                f"{len(cells)} cells where the header has {width}",
                where=f"{where}, line {number}",
                cure="Put quotes around cells that hold the delimiter",
            )
        rows.append((number, (*cells, *[""] * (width - len(cells)))))
    return tuple(rows)


def _quoted_decimal_comma(
    rows: Sequence[tuple[int, tuple[str, ...]]], columns: Mapping[str, int]
) -> bool:
    """Tell a decimal comma inside quotes: all numbers with a comma have one and no point."""
    cells = [c[i] for _, c in rows for m, i in columns.items() if m in ("x", "y")]
    with_comma = [c for c in cells if "," in c]
    return bool(with_comma) and all(c.count(",") == 1 and "." not in c for c in with_comma)
