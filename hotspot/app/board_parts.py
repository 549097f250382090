"""Parts drawn as boxes on the photo, for boards without design files."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import streamlit as st

from hotspot.app import shared, shell
from hotspot.app.photo import load_photo
from hotspot.app.picture_marks import Event, picture_marks
from hotspot.board import Board, Kind, Part, Rail
from hotspot.jobs.board_pack import keep_board
from hotspot.jobs.board_upload import keep_photo, to_part
from hotspot.jobs.pack_zip import build_pack_zip
from hotspot.jobs.part_edit import edit_part
from hotspot.register.from_landmarks import fit_board_from_photo
from hotspot.store.entries import JobFile


def local_path(text: str) -> Path:
    """Return a path that somebody typed."""
    return Path(text.strip()).expanduser()


def show_parts(file: JobFile, board: Board | None) -> None:
    """Show the photo with its parts, and what is drawn."""
    photo = None if board is None else load_photo(board)
    if board is None or photo is None:
        given = st.file_uploader("Board photo (PNG or JPEG)", type=["png", "jpg", "jpeg"])
        if st.button("Use this photo", type="primary", disabled=given is None) and given:
            with shell.told():
                keep_photo(shared.store(), file.job.id, given.getvalue(), board=board)
                st.rerun()
        return
    left, right = st.columns([3, 1], gap="medium")
    drawable = board.units == "photo_px"
    box = shell.kept(file, "box") if drawable else None
    square = {p.ref for p in board.parts if p.rotation_deg % 90 == 0}
    boxes: list[dict[str, Any]] = [
        {"corners": c, "label": ref, "strong": False, "square": ref in square}
        for ref, c in _outlines(board)
    ]
    if box:
        x0, y0, x1, y1 = box
        corners = [[x0, y0], [x1, y0], [x1, y1], [x0, y1]]
        boxes.append({"corners": corners, "label": "new", "strong": True})

    def drawn(event: Event) -> None:
        values = [event.get(k) for k in ("x0", "y0", "x1", "y1")]
        if event["op"] == "box" and all(isinstance(v, (int, float)) for v in values):
            shell.keep(file, "box", values)
        elif event["op"] == "undo":
            shell.acting(_undo, file)
        elif (changed := edit_part(board, event)) is not board:
            _keep(file, changed, before=board)

    with left:
        picture_marks(
            photo.data, size=photo.size, title="Board photo", boxes=boxes,
            on_event=lambda event: shell.acting(drawn, event),
            mode="box" if drawable else "look", key=shell.key(file, "parts"),
        )  # fmt: skip
    with right:
        if drawable:
            _name(file, board, box)
            _rails(file, board)
        else:
            st.caption("This board comes from design files: its parts are shown, not drawn.")
        save_pack(file, board)


def _outlines(board: Board) -> list[tuple[str, list[Any]]]:
    """Corners of each part in photo px, where the photo can be laid over the parts."""
    if board.units == "photo_px":
        return [(p.ref, p.corners_mm().tolist()) for p in board.parts]
    if len(board.photo_landmarks) < 2:
        return []
    photo_from_board = fit_board_from_photo(board)[0].inverse()
    shown = [p for p in board.parts if p.side != "bottom"]
    return [(p.ref, photo_from_board.map(np.asarray(p.corners_mm())).tolist()) for p in shown]


def _name(file: JobFile, board: Board, box: Any) -> None:
    st.markdown("**New part**" if box else "**Draw a box round a part**")
    if not box:
        st.caption("A part that is there is dragged, sized at its corners, or moved by arrow keys.")
    ref = st.text_input("Name", placeholder="C17", key=shell.key(file, "part.ref"))
    kind = st.selectbox("Kind", [k.value for k in Kind], key=shell.key(file, "part.kind"))
    nets = st.text_input("Nets", placeholder="3V3 GND", key=shell.key(file, "part.nets"))
    if st.button("Add part", type="primary", disabled=not box):
        with shell.told():
            x0, y0, x1, y1 = box
            part = to_part(ref, Kind(kind), corner=(x0, y0), other=(x1, y1), nets=nets)
            others = tuple(p for p in board.parts if p.ref != part.ref)
            _keep(file, replace(board, parts=(*others, part)), before=board)
            st.rerun()
    names = [p.ref for p in board.parts]
    if names:
        gone = st.selectbox("Drawn", names, key=shell.key(file, "part.gone"))
        if st.button("Remove it"):
            rest: tuple[Part, ...] = tuple(p for p in board.parts if p.ref != gone)
            _keep(file, replace(board, parts=rest), before=board)
            st.rerun()


def _rails(file: JobFile, board: Board) -> None:
    name = st.text_input("Rail", placeholder="3V3", key=shell.key(file, "rail.name"))
    volts = st.number_input("Nominal, V", 0.0, 60.0, 3.3, 0.1, key=shell.key(file, "rail.volts"))
    if st.button("Add rail", disabled=not name.strip()):
        others = tuple(r for r in board.rails if r.name != name.strip())
        rails = (*others, Rail(name.strip(), nominal_v=volts or None))
        _keep(file, replace(board, rails=rails), before=board)
        st.rerun()
    if board.rails:
        st.caption(", ".join(f"{r.name} {r.nominal_v or ''}".strip() for r in board.rails))


def save_pack(file: JobFile, board: Board) -> None:
    """Offer the board pack as a file for another bench."""
    st.download_button(
        "Save board pack (ZIP)",
        data=lambda: build_pack_zip(board),
        file_name=f"board-of-job-{file.job.id}.zip",
        mime="application/zip",
        icon=":material/folder_zip:",
    )


def _past(file: JobFile) -> list[Board]:
    past: list[Board] = st.session_state.setdefault(shell.key(file, "past.parts"), [])
    return past


def _keep(file: JobFile, board: Board, *, before: Board) -> None:
    keep_board(shared.store(), file.job.id, board)
    _past(file).append(before)
    shell.keep(file, "box", None)


def _undo(file: JobFile) -> None:
    """Take back the box that is not named yet, else the last change of this visit."""
    if shell.kept(file, "box"):
        shell.keep(file, "box", None)
    elif _past(file):
        keep_board(shared.store(), file.job.id, _past(file).pop())
