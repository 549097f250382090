"""A stand: landmarks kept for a fixed camera and board holder, used again and checked."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import streamlit as st

from hotspot.app import shared, shell
from hotspot.app.click_list import ClickList
from hotspot.app.live_choose import landmarks_of
from hotspot.bench.live import LiveView
from hotspot.board import Board
from hotspot.checks import FloatArray
from hotspot.errors import HotspotError
from hotspot.jobs.live_for_job import register
from hotspot.jobs.stand import fit_stand, keep_stand, list_stands
from hotspot.store.entries import JobFile

STAND = "stand"


def set_landmarks(file: JobFile, pairs: FloatArray) -> None:
    """Keep (n, 4) landmarks as if they had been clicked; undo brings the clicks back."""
    for name, columns in (("marks_thermal", pairs[:, :2]), ("marks_photo", pairs[:, 2:])):
        ClickList(file, name).change([(float(x), float(y)) for x, y in columns])


def stand(file: JobFile, board: Board, cold: Any, photo: Path) -> None:
    """Offer to use a kept stand, and to keep the present landmarks for one."""
    folder = _folder()
    names = list_stands(folder, photo=photo)
    if names:
        used = shell.kept(file, STAND, "")
        chosen = st.selectbox(
            "Kept stands", names, index=names.index(used) if used in names else 0,
            key=shell.key(file, "stand.chosen"),
        )  # fmt: skip
        if st.button("Use this stand"):
            fit = fit_stand(folder, chosen, photo=photo, cold=cold)
            set_landmarks(file, fit.landmarks)
            shell.keep(file, STAND, chosen)
            st.toast(f"Stand {chosen}: {fit.says}")
            st.rerun()
    pairs = landmarks_of(file, board, practice=False)
    found, why = register(pairs, board)
    name = st.text_input("Name", placeholder="left arm", key=shell.key(file, "stand.name"))
    if st.button("Keep for this stand", disabled=found is None or not name.strip(), help=why):
        if found is not None:
            kept = keep_stand(folder, name, photo=photo, registration=found, cold=cold)
            shell.keep(file, STAND, kept)
            st.toast(f"Kept for stand {kept}")
        st.rerun()


def check_stand(file: JobFile, board: Board | None, view: LiveView) -> None:
    """Hold the stand that the job uses against each new baseline, and say what came of it."""
    name = shell.kept(file, STAND, "")
    cold = view.cold
    taken = view.state().baseline == "taken"
    if not name or not taken or cold is None or board is None or board.photo is None:
        return
    done = st.session_state.get("_stand")
    if done is None or done[0] is not cold:
        done = (cold, *_held_against(file, view, board.photo, name, cold))
        st.session_state["_stand"] = done
    (st.warning if done[2] else st.caption)(shell.plain(done[1]))


def _held_against(
    file: JobFile, view: LiveView, photo: Path, name: str, cold: Any
) -> tuple[str, bool]:
    try:
        fit = fit_stand(_folder(), name, photo=photo, cold=cold)
    except HotspotError as err:
        return err.sentence, True
    if fit.has_moved and not np.array_equal(view.case.landmarks, fit.landmarks):
        set_landmarks(file, fit.landmarks)
        view.set_case(replace(view.case, landmarks=fit.landmarks))
    return f"Stand {name}: {fit.says}.", fit.has_moved


def _folder() -> Path:
    return shared.data_folder() / "stands"
