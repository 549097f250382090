"""One page to pin to the bench: what this camera can see."""

from __future__ import annotations

from matplotlib.figure import Figure

from calib.figures import draw_allan, draw_map, draw_noise_map, draw_spectrum
from calib.overview import SEEN_SIGMAS, Overview
from calib.pictures import draw_mtf
from hotspot.evidence.paper import MUTED, add_box, fold, new_sheet, rule, write

# DIN A4 upright at the width of all sheets.
_HEIGHT_PX = 2263


def draw_page(view: Overview, *, date: str) -> Figure:
    """Return the page.

    Parameters
    ----------
    view
        The measurements.
    date
        Date to print.
    """
    figure = new_sheet(height_px=_HEIGHT_PX)
    write(figure, "What this camera can see", at=(90, 70), size_px=46, weight="bold")
    write(figure, f"{view.profile.name}    {date}", at=(90, 140), size_px=24, color=MUTED)
    rule(figure, y=190, x=(90, 1510))
    y = 220
    for name, value in view.facts:
        write(figure, name, at=(90, y), size_px=22, color=MUTED)
        for line in fold(value, width_px=1100, size_px=24):
            write(figure, line, at=(360, y), size_px=24)
            y += 40
    top = max(y + 70, 860)
    draw_noise_map(add_box(figure, 90, top, (640, 500)), view.noise)
    draw_allan(add_box(figure, 900, top, (600, 480)), view.noise)
    low = top + 640
    draw_spectrum(add_box(figure, 170, low, (560, 440)), view.noise)
    if view.edge is not None:
        draw_mtf(add_box(figure, 900, low, (600, 440)), view.edge)
    else:
        box = add_box(figure, 860, low - 20, (640, 460))
        draw_map(box, view.noise.stack.mean, label="the scene of the noise")
    y = low + 550
    notes = [
        f"Seen: {SEEN_SIGMAS:g} standard deviations between as long cold and warm; small sources "
        "are taken as 1 pixel or as wide as the blur. Emissivity and reflections come on top: bare "
        "metal shows a tenth or less of its rise.",
        *view.noise.warnings,
    ]
    for text in notes:
        for line in fold(text, width_px=1400, size_px=19):
            if y < _HEIGHT_PX - 60:
                write(figure, line, at=(90, y), size_px=19, color=MUTED)
                y += 29
    return figure
