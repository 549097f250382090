"""The evidence sheet: the annotated board picture and what it says."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from hotspot import __version__
from hotspot.board import Board
from hotspot.evidence import marks, panels, words
from hotspot.evidence.backdrop import Backdrop, build_backdrop
from hotspot.evidence.close_up import draw_close_up
from hotspot.evidence.overlay import BEGIN_SIGMA, Layer, build_layer
from hotspot.evidence.paper import (
    MUTED,
    WIDTH_PX,
    add_box,
    clear_axes,
    fold,
    new_sheet,
    rule,
    write,
)
from hotspot.finding import HOT_SPOT, Finding, Spot
from hotspot.frame import Recording

_MARGIN = 44
_MAIN = (1010, 628)  # at most; leaves 494 px for the side column
_GUTTER = 52
_SIDE_MOST = 600
_TOP = 158
_HEIGHT = 1116


def build_evidence_figure(
    finding: Finding, recording: Recording, *, board: Board | None = None, rail: str | None = None
) -> Figure:
    """Return the evidence sheet: the picture with the heat, and what it says.

    Parameters
    ----------
    finding
        What was found.
    recording
        Where it comes from; only what was noted with it is read, no frames.
    board
        The board pack, for photo, scale and outlines.
    rail
        The rail under injection, if other than noted in the recording.

    Raises
    ------
    BoardError
        If the board's photo cannot be read.
    """
    figure = new_sheet(height_px=_HEIGHT)
    backdrop = build_backdrop(finding, board=board)
    layer = build_layer(
        finding.heat,
        picture_from_thermal=backdrop.picture_from_thermal,
        shape=(backdrop.pixels.shape[0], backdrop.pixels.shape[1]),
        spots=finding.spots,
    )
    rail = rail or recording.rail
    _write_head(figure, finding, recording, board=board, rail=rail)
    right, bottom = _draw_main(figure, finding, backdrop, layer)
    if layer.lit:
        panels.draw_colour_bar(figure, finding.heat, layer, at=(_MARGIN, bottom + 18), width=420)
    else:
        write(
            figure, f"no colour: nowhere does the rise pass {BEGIN_SIGMA:.0f} times its noise",
            at=(_MARGIN, bottom + 16), size_px=13.5, color=MUTED,
        )  # fmt: skip
    if not backdrop.is_photo:
        write(
            figure, "ground: the camera's cold picture", at=(right, bottom + 16),
            size_px=13.5, color=MUTED, ha="right",
        )  # fmt: skip
    width = min(WIDTH_PX - _MARGIN - (right + _GUTTER), _SIDE_MOST)
    _draw_side(figure, finding, backdrop, layer, rail=rail, width=width)
    if finding.verdict == HOT_SPOT:
        panels.write_title(figure, "What to do next", at=(_MARGIN, bottom + 76))
        panels.write_lines(
            figure, words.next_steps(finding, rail=rail), at=(_MARGIN, bottom + 104),
            width_px=_MAIN[0], size_px=15.5,
        )  # fmt: skip
    _write_foot(figure, finding, recording)
    return figure


def _write_head(
    figure: Figure, finding: Finding, recording: Recording, *, board: Board | None, rail: str | None
) -> None:
    write(
        figure, words.headline(finding), at=(_MARGIN, 30), size_px=46, weight="bold",
    )  # fmt: skip
    sentence = fold(words.verdict_sentence(finding), width_px=1160, size_px=17)
    write(figure, "\n".join(sentence), at=(_MARGIN, 92), size_px=17)
    about = [
        board.name if board is not None else "",
        f"rail {rail}" if rail else "",
    ]
    right = WIDTH_PX - _MARGIN
    write(
        figure, "   ".join(a for a in about if a), at=(right, 40), size_px=19, ha="right",
        weight="bold",
    )  # fmt: skip
    dated = recording.started.replace("T", "  ") if recording.started else ""
    write(
        figure, "\n".join(t for t in (f"recording {recording.name}", dated) if t),
        at=(right, 70), size_px=15, ha="right", color=MUTED,
    )  # fmt: skip
    rule(figure, y=_TOP - 18, x=(_MARGIN, right))


def _draw_main(
    figure: Figure, finding: Finding, backdrop: Backdrop, layer: Layer
) -> tuple[float, float]:
    """Draw the picture with its marks; return its right and lower edge in px."""
    rows, cols = backdrop.pixels.shape[:2]
    # Top left of its box, as large as it fits.
    factor = min(_MAIN[0] / cols, _MAIN[1] / rows)
    axes = add_box(figure, _MARGIN, _TOP, (cols * factor, rows * factor))
    marks.draw_ground(axes, backdrop, layer.rgba)
    clear_axes(axes)
    px = 1 / factor
    marks.draw_scale_bar(axes, backdrop, px=px)
    named = _named_parts(finding, backdrop)
    for ref in list(named)[1:4]:
        marks.draw_outline(axes, backdrop.outlines[ref])
    for spot in finding.spots:
        if spot.role == "path" and spot is not words.main_spot(finding):
            at = backdrop.place(spot.xy_px)
            marks.draw_ring(axes, at, radius=20 * px, dashed=True)
            marks.draw_note(axes, "current path", at=at + np.array([0, 26 * px]))
    main = words.main_spot(finding)
    for spot in words.fault_spots(finding):
        if spot is not main:
            at = backdrop.place(spot.xy_px)
            marks.draw_ring(axes, at, radius=14 * px, light=True)
            note = words.rise(spot.peak_k, unit=finding.heat.unit)
            marks.draw_note(axes, note, at=at + np.array([0, 20 * px]))
    if main is not None:
        _mark_suspect(axes, finding, backdrop, layer, spot=main, px=px)
    return _MARGIN + cols * factor, _TOP + rows * factor


def _named_parts(finding: Finding, backdrop: Backdrop) -> dict[str, float]:
    return {s.ref: s.probability for s in finding.suspects if s.ref in backdrop.outlines}


def _mark_suspect(
    axes: Axes, finding: Finding, backdrop: Backdrop, layer: Layer, *, spot: Spot, px: float
) -> None:
    at = backdrop.place(spot.xy_px)
    radius = 26 * px
    unit = finding.heat.unit
    lines = [(words.rise(spot.peak_k, unit=unit) + " above cold", 17.0, False)]
    first = words.named_suspect(finding)
    if first is not None:
        lines.insert(0, (f"{first.ref}   {words.percent(first.probability)}", 30.0, True))
        outline = backdrop.outlines.get(first.ref)
        if outline is not None:
            at = outline.mean(axis=0)
            radius = max(radius, 1.35 * float(np.hypot(*(outline - at).T).max()))
            marks.draw_outline(axes, outline)
    else:
        lines.insert(0, (words.spot_label(finding), 30.0, True))
    avoid = [[*at, radius + 14 * px]]
    avoid += [[*backdrop.place(s.xy_px), 30 * px] for s in finding.spots]
    width, height = marks.label_size(lines)
    middle = marks.find_label_place(
        axes, at, size=(width * px, height * px), avoid=np.array(avoid), busy=layer.rgba[..., 3]
    )
    if first is None:
        marks.draw_region(axes, spot, backdrop)
    marks.draw_ring(axes, at, radius=radius)
    marks.draw_label(axes, lines, at=at, middle=middle, radius=radius, px=px)


def _draw_side(
    figure: Figure,
    finding: Finding,
    backdrop: Backdrop,
    layer: Layer,
    *,
    rail: str | None,
    width: float,
) -> None:
    x, y = WIDTH_PX - _MARGIN - width, float(_TOP)
    main = words.main_spot(finding)
    if finding.verdict == HOT_SPOT and main is not None:
        y = draw_close_up(figure, finding, backdrop, layer, spot=main, at=(x, _TOP), width=width)
        if finding.suspects:
            y = panels.draw_suspects(figure, finding, at=(x, y), width=width) + 18
        left = _HEIGHT - 140 - y
        if finding.heat.trace_t_s.size > 1 and left > 140:
            panels.draw_time_course(figure, finding, at=(x, y), size=(width, min(left, 320)))
        return
    panels.write_title(figure, "What stands in the way" if finding.warnings else "", at=(x, y))
    if finding.warnings:
        y = panels.write_lines(
            figure, finding.warnings[:6], at=(x, y + 30), width_px=width, size_px=16
        )
        y += 16
    if finding.suspects:
        y = panels.draw_suspects(figure, finding, at=(x, y), width=width) + 18
    panels.write_title(figure, "What to do next", at=(x, y))
    y = panels.write_lines(
        figure, words.next_steps(finding, rail=rail), at=(x, y + 30), width_px=width,
        size_px=16,
    )  # fmt: skip
    heat = finding.heat
    if heat.valid.any():
        noise = float(np.median(heat.sigma_k[heat.valid]))
        panels.write_title(figure, "How well this recording sees", at=(x, y + 16))
        y = panels.write_lines(
            figure,
            (
                *words.limit_sentences(finding),
                f"One pixel of the heat map is uncertain by {words.rise(noise, unit=heat.unit)}"
                " (median standard error). Heat under a shield or on the other side of the board"
                " may not reach the camera at all.",
            ),
            at=(x, y + 46), width_px=width, size_px=16,
        )  # fmt: skip
        left = _HEIGHT - 150 - y
        if left > 160:
            panels.draw_significance(figure, heat, at=(x, y + 12), size=(width, left))


def _write_foot(figure: Figure, finding: Finding, recording: Recording) -> None:
    top = _HEIGHT - 112
    right = WIDTH_PX - _MARGIN
    rule(figure, y=top - 14, x=(_MARGIN, right))
    profile = recording.profile
    facts = [
        f"camera: {profile.name}, {profile.width} × {profile.height}",
        words.frame_words(finding),
        words.injection_words(finding, recording),
        words.registration_words(finding),
    ]
    if recording.ambient_c is not None:
        facts.append(f"room {recording.ambient_c:.1f} °C")
    lines = fold("   ·   ".join(facts), width_px=right - _MARGIN, size_px=13.5)[:2]
    lines.append(f"hotspot {__version__}")
    if finding.verdict == HOT_SPOT and finding.warnings:
        lines += fold(
            "Note: " + "; ".join(w.rstrip(".") for w in finding.warnings),
            width_px=right - _MARGIN,
            size_px=13.5,
        )[:2]
    write(figure, "\n".join(lines), at=(_MARGIN, top), size_px=13.5, color=MUTED)
