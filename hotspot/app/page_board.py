"""Board: photo, parts, rails and landmarks of the job's board."""

from __future__ import annotations

import streamlit as st

from hotspot.app import shared, shell
from hotspot.evidence.boardmap import draw_board
from hotspot.jobs.progress import Stage


def show() -> None:
    """Show the page."""
    file = shell.need_file()
    shell.heading(file, Stage.BOARD)
    board = shared.board_of(file)
    if board is None:
        st.info("This job has no board yet.")
        return
    left, right = st.columns([3, 2], gap="large")
    rails = [r.name for r in board.rails]
    rail = right.selectbox("Colour by rail", ["(kind of part)", *rails])
    left.image(draw_board(board, side="top", rail=rail if rail in rails else None))
    right.caption(f"{len(board.parts)} parts, {len(rails)} rails")
