"""How parts look from above: ceramic, epoxy, tin, plastic, brushed metal."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from hotspot.board import Kind, Part
from hotspot.practice.canvas import Canvas, Colour, Place, box, rounded

TIN, TIN_DARK = (206, 208, 206), (146, 148, 148)
GOLD, GOLD_DARK = (222, 186, 96), (170, 132, 58)
CERAMIC = (174, 140, 102)
SILK = (232, 234, 226)


def draw_pads(canvas: Canvas, part: Part) -> None:
    """Draw the tinned pads that show around a part."""
    place, w, h = Place.of(part), part.width_mm, part.height_mm
    if part.kind is Kind.SHIELD:
        canvas.fill(place.map(rounded(w + 0.8, h + 0.8, 0.9)), TIN_DARK)
        return
    if part.kind is Kind.TEST_POINT:
        return
    for points in _pad_boxes(part):
        canvas.fill(place.map(points), TIN_DARK)
        shrunk = points.mean(axis=0) + 0.8 * (points - points.mean(axis=0))
        canvas.fill(place.map(shrunk), TIN)


def _pad_boxes(part: Part) -> list[np.ndarray]:
    w, h = part.width_mm, part.height_mm
    if part.package.startswith(("QFN",)):
        count = int(part.package[3:]) // 4
        pitch = 0.78 * w / max(1, count - 1)
        along = (np.arange(count) - 0.5 * (count - 1)) * pitch
        thin = 0.55 * pitch
        sides = [(thin, 0.55, a, s * 0.5 * h) for a in along for s in (-1, 1)]
        sides += [(0.55, thin, s * 0.5 * w, a) for a in along for s in (-1, 1)]
        return [box(a, b, x=x, y=y) for a, b, x, y in sides]
    if part.package.startswith(("SO", "TSSOP")) or part.kind is Kind.TRANSISTOR:
        return [box(a, 1.1, x=x, y=y) for a, x, y in _leads(part)]
    if part.kind in (Kind.CONNECTOR, Kind.OTHER) and part.package != "XTAL-3215":
        return [
            box(0.9, 1.6, x=s * 0.3 * w, y=t * (0.5 * h + 0.1)) for s in (-1, 1) for t in (-1, 1)
        ]
    end = 0.45 * min(w, h) + 0.25
    wide = min(h, 2.0) + 0.12
    return [box(end, wide, x=s * (0.5 * w + 0.22 - 0.5 * end + 0.1)) for s in (-1, 1)]


def _leads(part: Part) -> list[tuple[float, float, float]]:
    """Width and place of each gull-wing lead; they leave along the long sides."""
    rows = {
        "SOT23": (2, 1, 1.9), "SOT23-5": (3, 2, 1.9), "SOIC8": (4, 4, 3.81),
        "TSSOP16": (8, 8, 4.55),
    }  # fmt: skip
    below, above, span = rows.get(part.package, (2, 2, 0.7 * part.width_mm))
    reach = 0.5 * part.height_mm + 0.35
    leads = []
    for count, y in ((below, -reach), (above, reach)):
        places = np.linspace(-0.5 * span, 0.5 * span, count) if count > 1 else [0.0]
        leads += [(min(0.42, 0.55 * span / max(1, count - 1) + 0.05), float(x), y) for x in places]
    return leads


def draw_part(canvas: Canvas, part: Part) -> None:
    """Draw a part's body."""
    _DRAW[part.kind](canvas, part)


def _chip(body: Colour, *, ends: float) -> Callable[[Canvas, Part], None]:
    def draw(canvas: Canvas, part: Part) -> None:
        place, w, h = Place.of(part), part.width_mm, part.height_mm
        bright = tuple(min(255, c + 26) for c in body)
        dark = tuple(max(0, c - 22) for c in body)
        canvas.shade(
            place, w, h, colours=((bright[0], bright[1], bright[2]), (dark[0], dark[1], dark[2]))
        )
        cap = ends * h
        for side in (-1, 1):
            x = side * 0.5 * (w - cap)
            end = place.at(x, 0.0)
            canvas.shade(end, cap, 1.04 * h, colours=((232, 233, 231), (140, 142, 143)))

    return draw


def _epoxy(canvas: Canvas, part: Part) -> None:
    place, w, h = Place.of(part), part.width_mm, part.height_mm
    for wide, x, y in _leads(part) if part.package.startswith(("SO", "TSSOP")) else []:
        canvas.fill(place.map(box(wide, 0.7, x=x, y=y * 0.93)), (188, 190, 190))
    canvas.fill(place.map(rounded(w, h, 0.12)), (24, 24, 27))
    inner = 0.94 if min(w, h) > 2 else 0.88
    canvas.shade(place, inner * w, inner * h, colours=((58, 59, 63), (36, 37, 40)))
    mark = (-0.5 * w + 0.16 * min(w, h), 0.5 * h - 0.16 * min(w, h))
    canvas.disc(place.map([mark]), 0.05 * min(w, h) + 0.06, (86, 88, 92))
    if min(w, h) >= 3.0:
        size = 0.15 * min(w, h)
        number = int(part.ref.lstrip("UQ") or 0)
        for line, words in enumerate((f"WL{40 + 7 * number}", f"{11 + number}K{3 * number:02d}")):
            x, y = place.map([(0.0, (0.45 - 1.5 * line) * size)])[0]
            canvas.text(words, (x, y), height_mm=size, colour=(126, 128, 132), stroke_mm=0.06)


def _diode(canvas: Canvas, part: Part) -> None:
    place, w, h = Place.of(part), part.width_mm, part.height_mm
    if part.package == "0603":  # a light-emitting diode
        _chip((236, 232, 214), ends=0.3)(canvas, part)
        canvas.fill(place.map(rounded(0.5 * w, 0.75 * h, 0.2)), (250, 226, 140))
        return
    canvas.fill(place.map(box(w + 0.7, 0.5 * h)), (190, 191, 190))
    canvas.shade(place, w, h, colours=((60, 60, 63), (32, 32, 35)))
    canvas.fill(place.map(box(0.14 * w, h, x=-0.32 * w)), (196, 198, 196))


def _inductor(canvas: Canvas, part: Part) -> None:
    place, w, h = Place.of(part), part.width_mm, part.height_mm
    if w < 1.5:
        _chip((96, 112, 122), ends=0.4)(canvas, part)
        return
    canvas.fill(place.map(rounded(w, h, 0.14 * min(w, h))), (58, 57, 58))
    canvas.fill(place.map(rounded(0.93 * w, 0.93 * h, 0.12 * min(w, h))), (88, 87, 88))
    canvas.shade(place, 0.7 * w, 0.7 * h, colours=((112, 111, 112), (82, 81, 82)))
    x, y = place.map([(0.0, 0.0)])[0]
    words = "4R7" if w > 3 else "2R2"
    canvas.text(words, (x, y), height_mm=0.24 * h, colour=(226, 226, 224), stroke_mm=0.12)


def _shield(canvas: Canvas, part: Part) -> None:
    place, w, h = Place.of(part), part.width_mm, part.height_mm
    canvas.fill(place.map(rounded(w, h, 0.6)), (126, 128, 131))
    canvas.shade(place, w - 0.5, h - 0.5, colours=((216, 218, 221), (150, 153, 158)))
    rng = np.random.default_rng(5)
    for y in np.linspace(-0.5 * h + 0.4, 0.5 * h - 0.4, 90):  # brush marks
        tone = int(186 + 14 * rng.standard_normal())
        x = float(rng.uniform(-0.2, 0.2)) * w
        stroke = place.map([(x - 0.28 * w, float(y)), (x + 0.28 * w, float(y))])
        canvas.line(stroke, 0.02, (tone, tone + 1, tone + 4))
    canvas.outline(place.map(rounded(w - 1.2, h - 1.2, 0.5)), 0.06, (140, 142, 146))
    for x in np.linspace(-0.36 * w, 0.36 * w, 6):
        for y in (-0.36 * h, 0.36 * h):
            canvas.disc(place.map([(float(x), float(y))]), 0.34, (74, 76, 80))
            canvas.disc(place.map([(float(x) + 0.05, float(y) - 0.05)]), 0.27, (46, 47, 50))


def _connector(canvas: Canvas, part: Part) -> None:
    place, w, h = Place.of(part), part.width_mm, part.height_mm
    if part.package == "COAX":
        canvas.shade(place, w, h, colours=((214, 184, 108), (158, 124, 60)))
        for radius, colour in (
            (0.42, (120, 92, 44)),
            (0.36, (238, 212, 140)),
            (0.16, (90, 70, 36)),
        ):
            canvas.disc(place.map([(0, 0)]), radius * w, colour)
        canvas.disc(place.map([(0, 0)]), 0.07 * w, (246, 226, 160))
    elif part.package.startswith("HDR"):
        canvas.fill(place.map(box(w, h)), (26, 26, 28))
        canvas.shade(place, 0.98 * w, 0.94 * h, colours=((52, 52, 55), (30, 30, 33)))
        for x in np.linspace(-0.4 * w, 0.4 * w, 5):
            for y in (-0.25 * h, 0.25 * h):
                pin = place.at(float(x), y)
                canvas.fill(pin.map(box(1.0, 1.0)), (14, 14, 15))
                canvas.shade(pin, 0.62, 0.62, colours=((246, 222, 150), (186, 148, 70)))
    elif part.package.startswith("TERM"):
        canvas.fill(place.map(rounded(w, h, 0.3)), (44, 92, 120))
        canvas.shade(place, 0.95 * w, 0.97 * h, colours=((84, 142, 172), (58, 112, 142)))
        for y in np.linspace(-0.375 * h, 0.375 * h, 4):
            hole = place.map([(0.08 * w, float(y))])
            canvas.disc(hole, 1.35, (36, 76, 100))
            canvas.disc(hole, 1.15, (196, 198, 198))
            canvas.disc(hole + np.array([0.12, -0.12]), 0.98, (168, 170, 171))
            slot = place.map([(0.08 * w - 0.75, float(y) - 0.5), (0.08 * w + 0.75, float(y) + 0.5)])
            canvas.line(slot, 0.26, (70, 72, 74))
    else:
        canvas.fill(place.map(rounded(w, h, 0.3)), (196, 190, 172))
        canvas.shade(place, 0.95 * w, 0.96 * h, colours=((244, 240, 226), (222, 216, 198)))
        canvas.fill(place.map(box(0.62 * w, 0.66 * h, x=-0.1 * w)), (176, 170, 152))
        for y in (-1.0, 1.0):
            canvas.fill(place.map(box(0.5 * w, 0.55, x=-0.06 * w, y=y)), (214, 214, 210))


def _other(canvas: Canvas, part: Part) -> None:
    place, w, h = Place.of(part), part.width_mm, part.height_mm
    if part.package.startswith("BTN"):
        canvas.fill(place.map(rounded(w, h, 0.3)), (150, 152, 154))
        canvas.shade(place, 0.92 * w, 0.92 * h, colours=((226, 228, 229), (176, 178, 180)))
        canvas.disc(place.map([(0, 0)]), 0.3 * w, (26, 26, 28))
        canvas.disc(place.map([(-0.06, 0.06)]), 0.24 * w, (62, 62, 65))
        return
    canvas.fill(place.map(rounded(w, h, 0.35)), (150, 150, 148))
    canvas.shade(place, 0.9 * w, 0.8 * h, colours=((228, 226, 220), (178, 176, 170)))
    x, y = place.map([(0.0, 0.0)])[0]
    canvas.text("32K", (x, y), height_mm=0.36 * h, colour=(112, 110, 106), stroke_mm=0.07)


def _test_point(canvas: Canvas, part: Part) -> None:
    place = Place.of(part)
    canvas.disc(place.map([(0, 0)]), 0.5 * part.width_mm, GOLD_DARK)
    canvas.disc(place.map([(-0.03, 0.03)]), 0.46 * part.width_mm, GOLD)
    canvas.disc(place.map([(-0.1, 0.1)]), 0.26 * part.width_mm, (236, 206, 128))


def _fuse(canvas: Canvas, part: Part) -> None:
    _chip((214, 214, 200), ends=0.35)(canvas, part)
    canvas.text("F", (part.x_mm, part.y_mm), height_mm=0.8, colour=(70, 70, 66), stroke_mm=0.1)


_DRAW: dict[Kind, Callable[[Canvas, Part], None]] = {
    Kind.CAPACITOR: _chip(CERAMIC, ends=0.46),
    Kind.RESISTOR: _chip((34, 35, 38), ends=0.4),
    Kind.BEAD: _chip((70, 72, 78), ends=0.42),
    Kind.FUSE: _fuse,
    Kind.INDUCTOR: _inductor,
    Kind.IC: _epoxy,
    Kind.TRANSISTOR: _epoxy,
    Kind.DIODE: _diode,
    Kind.CONNECTOR: _connector,
    Kind.SHIELD: _shield,
    Kind.TEST_POINT: _test_point,
    Kind.OTHER: _other,
}
