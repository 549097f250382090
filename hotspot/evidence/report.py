"""The hand-over report: a PDF for the customer and for the file.

The same hand-over gives the same bytes: nothing of the moment of printing goes in, and the type
is the one that comes with the plotting library, not one of the system.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import fpdf
import matplotlib as mpl
from fpdf.enums import XPos, YPos
from fpdf.fonts import FontFace
from PIL import Image, ImageOps

from hotspot.errors import InputError
from hotspot.evidence.paper import printable
from hotspot.evidence.photos import DAMAGE, MOST_PIXELS

_FONT = "DejaVu"
_INK, _MUTED, _RULE, _SHADE = (27, 31, 36), (89, 98, 109), (176, 184, 193), (238, 240, 243)
_MARGIN_MM, _GAP_MM, _TALLEST_MM = 18.0, 6.0, 120.0
# Longest side of a picture: 1600 px on half an A4 page are 450 dots an inch, beyond any printer's
# need, and a phone's photo then takes a few hundred kilobytes.
_LONGEST_PX = 1600
_JPEG_QUALITY = 85


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture of the report: caption, the file's bytes (PNG or JPEG), full width or half."""

    caption: str
    data: bytes
    wide: bool = False


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table of the report: heading, column names, rows of text."""

    heading: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class HandOver:
    """All that the report says.

    Attributes
    ----------
    title
        "Repair report, job 12".
    facts
        (label, text) pairs at the top.
    result, result_detail
        The outcome in one line, and what it rests on.
    before, after
        Pictures.
    sheets
        Tables, in order; empty ones are left out.
    lists
        (heading, lines) pairs after the tables: cautions, limits of the method.
    made_at
        When the last thing in the job happened; stands as the date of the document.
    """

    title: str
    facts: tuple[tuple[str, str], ...]
    result: str
    result_detail: tuple[str, ...]
    before: tuple[Picture, ...]
    after: tuple[Picture, ...]
    sheets: tuple[Sheet, ...]
    lists: tuple[tuple[str, tuple[str, ...]], ...]
    made_at: datetime


class _Document(fpdf.FPDF):
    def __init__(self, title: str, made_at: datetime) -> None:
        super().__init__(format="A4")
        folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
        self.add_font(_FONT, "", folder / "DejaVuSans.ttf")
        self.add_font(_FONT, "B", folder / "DejaVuSans-Bold.ttf")
        self.set_creation_date(made_at)
        self.set_title(title)
        self.set_lang("en")
        self.set_margins(_MARGIN_MM, _MARGIN_MM, _MARGIN_MM)
        self.set_auto_page_break(True, margin=_MARGIN_MM + 4)
        self._title = title

    def footer(self) -> None:
        self.set_y(-_MARGIN_MM)
        self.set_font(_FONT, size=8)
        self.set_text_color(*_MUTED)
        self.cell(0, 5, printable(self._title), align="L")
        self.set_x(_MARGIN_MM)
        self.cell(0, 5, f"page {self.page_no()} of {{nb}}", align="R")


def build_report(hand_over: HandOver) -> bytes:
    """Return the report as a PDF.

    Raises
    ------
    hotspot.errors.InputError
        If a picture cannot be read.
    """
    pdf = _Document(hand_over.title, hand_over.made_at)
    pdf.add_page()
    _line(pdf, hand_over.title, size=18, bold=True, gap=3)
    _facts(pdf, hand_over.facts)
    _result(pdf, hand_over)
    _pictures(pdf, "Before", hand_over.before)
    _pictures(pdf, "After", hand_over.after)
    for sheet in hand_over.sheets:
        if sheet.rows:
            _table(pdf, sheet)
    for heading, lines in hand_over.lists:
        _list(pdf, heading, lines)
    return bytes(pdf.output())


def _line(
    pdf: fpdf.FPDF, text: str, *, size: float = 9.5, bold: bool = False, gap: float = 1.0
) -> None:
    pdf.set_font(_FONT, style="B" if bold else "", size=size)
    pdf.set_text_color(*_INK)
    pdf.multi_cell(0, size * 0.5, printable(text), new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
    pdf.ln(gap)


def _facts(pdf: fpdf.FPDF, facts: tuple[tuple[str, str], ...]) -> None:
    for label, text in facts:
        if not text:
            continue
        pdf.set_font(_FONT, size=9.5)
        pdf.set_text_color(*_MUTED)
        pdf.cell(36, 5.2, printable(label))
        pdf.set_text_color(*_INK)
        pdf.multi_cell(0, 5.2, printable(text), new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
    pdf.ln(2)


def _result(pdf: fpdf.FPDF, hand_over: HandOver) -> None:
    top = pdf.get_y()
    pdf.set_draw_color(*_INK)
    pdf.line(_MARGIN_MM, top, pdf.w - _MARGIN_MM, top)
    pdf.ln(2.5)
    _line(pdf, hand_over.result, size=13, bold=True, gap=1)
    for text in hand_over.result_detail:
        _line(pdf, text, gap=0.6)
    pdf.ln(1.5)
    pdf.line(_MARGIN_MM, pdf.get_y(), pdf.w - _MARGIN_MM, pdf.get_y())
    pdf.ln(3)


def _heading(pdf: fpdf.FPDF, text: str, *, room_mm: float) -> None:
    if pdf.will_page_break(room_mm):
        pdf.add_page()
    pdf.ln(2)
    _line(pdf, text, size=12, bold=True, gap=1.5)


def _pictures(pdf: fpdf.FPDF, heading: str, pictures: tuple[Picture, ...]) -> None:
    prepared = [(p, *_prepare(p)) for p in pictures]
    rows: list[list[tuple[Picture, io.BytesIO | Image.Image, tuple[int, int]]]] = []
    for entry in prepared:
        # Two small pictures share a line; a wide one has its own.
        if rows and not entry[0].wide and not rows[-1][0][0].wide and len(rows[-1]) < 2:
            rows[-1].append(entry)
        else:
            rows.append([entry])
    for n, row in enumerate(rows):
        width = pdf.epw if row[0][0].wide else (pdf.epw - _GAP_MM) / 2
        heights = [min(width * h / w, _TALLEST_MM) for _, _, (w, h) in row]
        room = max(heights) + 8
        if n == 0:
            _heading(pdf, heading, room_mm=room + 12)
        if pdf.will_page_break(room):
            pdf.add_page()
        top = pdf.get_y()
        for place, ((picture, data, (w, h)), height) in enumerate(zip(row, heights, strict=True)):
            left = _MARGIN_MM + place * (width + _GAP_MM)
            shown = height * w / h
            pdf.image(data, left, top, w=shown, h=height, alt_text=picture.caption)
            pdf.set_xy(left, top + height + 1)
            pdf.set_font(_FONT, size=8)
            pdf.set_text_color(*_MUTED)
            pdf.cell(width, 4, printable(picture.caption))
        pdf.set_xy(_MARGIN_MM, top + room - 1)


def _prepare(picture: Picture) -> tuple[io.BytesIO | Image.Image, tuple[int, int]]:
    """Return a picture upright, in colour and not larger than needed, and its size."""
    try:
        opened = Image.open(io.BytesIO(picture.data), formats=["PNG", "JPEG"])
        if opened.width * opened.height > MOST_PIXELS:
            raise InputError("is too large", where=picture.caption, cure="Keep a smaller one")
        image = ImageOps.exif_transpose(opened)
        photo = opened.format == "JPEG"
        if image.mode != "RGB":
            backdrop = Image.new("RGB", image.size, "white")
            layered = image.convert("RGBA")
            backdrop.paste(layered, mask=layered.getchannel("A"))
            image = backdrop
    except DAMAGE as err:
        raise InputError(
            "cannot be read as a PNG or JPEG picture",
            where=picture.caption,
            cure="Keep the picture again",
        ) from err
    image.thumbnail((_LONGEST_PX, _LONGEST_PX))
    if not photo:
        return image, image.size
    encoded = io.BytesIO()
    image.save(encoded, "JPEG", quality=_JPEG_QUALITY)
    return encoded, image.size


def _table(pdf: fpdf.FPDF, sheet: Sheet) -> None:
    _heading(pdf, sheet.heading, room_mm=30)
    pdf.set_font(_FONT, size=8.5)
    pdf.set_text_color(*_INK)
    pdf.set_draw_color(*_RULE)
    # Wide enough for the longest word of each column, the rest by the amount of text.
    texts = [[c, *(row[n] for row in sheet.rows)] for n, c in enumerate(sheet.columns)]
    weights = [max(6.0, min(46.0, max(len(t) for t in column))) for column in texts]
    style = FontFace(emphasis="BOLD", fill_color=_SHADE)
    with pdf.table(
        borders_layout="HORIZONTAL_LINES",
        headings_style=style,
        col_widths=tuple(weights),
        line_height=4.6,
        padding=1.0,
        text_align="LEFT",
    ) as table:
        for cells in (sheet.columns, *sheet.rows):
            row = table.row()
            for cell in cells:
                row.cell(printable(cell))


def _list(pdf: fpdf.FPDF, heading: str, lines: tuple[str, ...]) -> None:
    if not lines:
        return
    _heading(pdf, heading, room_mm=22)
    for text in lines:
        pdf.set_font(_FONT, size=9)
        pdf.set_text_color(*_INK)
        pdf.cell(5, 4.8, "•")
        pdf.multi_cell(0, 4.8, printable(text), new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
    pdf.ln(1)
