"""Board: photo, parts and rails of the job's board, and landmarks between it and the camera."""

from __future__ import annotations

import streamlit as st

from hotspot.app import board_parts, shared, shell
from hotspot.app.board_landmarks import show_landmarks
from hotspot.board import Board
from hotspot.errors import InputError
from hotspot.evidence.boardmap import draw_board
from hotspot.jobs.board_upload import adopt_folder, import_for_job
from hotspot.jobs.pack_zip import adopt_zip
from hotspot.jobs.progress import Stage
from hotspot.store.entries import JobFile

_KINDS = {
    "centroids": "Pick-and-place table (CSV)",
    "netlist": "Netlist (IPC-D-356)",
    "bill_of_materials": "Bill of materials (CSV)",
    "ipc2581": "IPC-2581 (instead of the others)",
}


def show() -> None:
    """Show the page."""
    file = shell.need_file()
    shell.heading(file, Stage.BOARD)
    board = shared.board_of(file)
    names = ["Part map", "Landmarks", "Draw parts", "Import"] if board else ["Import", "Draw parts"]
    chosen = st.segmented_control(
        "Show",
        names,
        default=names[0],
        required=True,
        key=shell.key(file, "board.show"),
        label_visibility="collapsed",
    )
    if board is None and st.button("Go on without", icon=":material/arrow_forward:"):
        shell.go(Stage.READINGS)
    if chosen == "Part map" and board is not None:
        _map(file, board)
    elif chosen == "Landmarks" and board is not None:
        show_landmarks(file, board)
    elif chosen == "Draw parts":
        board_parts.show_parts(file, board)
    else:
        _import(file)


def _map(file: JobFile, board: Board) -> None:
    left, right = st.columns([3, 1], gap="large")
    rails = [r.name for r in board.rails]
    with right:
        rail = st.selectbox("Colour by rail", ["kind of part", *rails])
        side = st.segmented_control("Side", ["top", "bottom"], default="top", required=True)
        st.caption(f"{len(board.parts)} parts, {len(rails)} rails")
        for warning in board.warnings:
            st.warning(shell.plain(warning))
        board_parts.save_pack(file, board)
    picture = draw_board(board, side=str(side), rail=rail if rail in rails else None)
    left.image(picture, width="stretch")


def _import(file: JobFile) -> None:
    left, right = st.columns(2, gap="large")
    with left:
        st.subheader("From design files")
        files = {kind: st.file_uploader(label, key=f"up.{kind}") for kind, label in _KINDS.items()}
    with right:
        photo = st.file_uploader("Board photo (PNG or JPEG)", type=["png", "jpg", "jpeg"])
        unit = st.segmented_control("Unit of the table, if it does not say", ["mm", "mil", "inch"])
        given = {kind: upload.getvalue() for kind, upload in files.items() if upload is not None}
        if st.button("Import", type="primary", disabled=not given):
            with shell.told():
                board = import_for_job(
                    shared.store(),
                    file.job.id,
                    files=given,
                    photo=None if photo is None else photo.getvalue(),
                    name=file.job.board_type,
                    unit=unit,
                )
                st.toast(f"{len(board.parts)} parts")
                _shown(file, "Part map")
        st.subheader("A board pack that is there")
        zipped = st.file_uploader("Board pack (ZIP)", type=["zip"])
        if st.button("Take the uploaded pack", disabled=zipped is None) and zipped is not None:
            with shell.told():
                adopt_zip(shared.store(), file.job.id, zipped.getvalue())
                _shown(file, "Part map")
        folder = st.text_input("Its folder on this machine", **shell.remember(file, "pack", ""))
        if st.button("Take this folder", disabled=not folder.strip()):
            with shell.told():
                path = board_parts.local_path(folder)
                if not path.is_dir():
                    raise InputError("no such folder", where=folder, cure="Check the name")
                adopt_folder(shared.store(), file.job.id, path)
                _shown(file, "Part map")


def _shown(file: JobFile, name: str) -> None:
    st.session_state.pop(shell.key(file, "board.show"), None)
    st.rerun()
