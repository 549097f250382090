"""Landmarks: the same features clicked on the thermal picture and on the photo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import streamlit as st

from hotspot.app import shared, shell
from hotspot.app.board_stand import STAND, set_landmarks, stand
from hotspot.app.click_list import ClickList
from hotspot.app.live_choose import landmarks_of
from hotspot.app.photo import Photo, load_photo
from hotspot.app.picture_marks import picture_marks
from hotspot.board import Board
from hotspot.jobs.cold_picture import first_picture, keep_cold, load_cold, to_png
from hotspot.jobs.live_for_job import Residuals, judge_landmarks
from hotspot.jobs.stand import to_landmarks
from hotspot.jobs.touching import pair_touches
from hotspot.register.automatic import register_automatically
from hotspot.store.entries import JobFile

_ENOUGH = 4
_BOTH = ("marks_thermal", "marks_photo")


def show_landmarks(file: JobFile, board: Board) -> None:
    """Show both pictures and how well the clicks agree."""
    photo = load_photo(board)
    if photo is None:
        st.info("This board has no photo: landmarks need one. Import gives it.")
        return
    folder = shared.data_folder() / "drafts"
    cold = load_cold(folder, file.job.id)
    _source(file, folder)
    if cold is None:
        st.info("Take a thermal picture: open the camera on Live, or name a recording.")
        return
    thermal, on_photo = ClickList(file, "marks_thermal"), ClickList(file, "marks_photo")
    pairs = landmarks_of(file, board, practice=False)
    judged = judge_landmarks(pairs, board)
    _say(len(thermal.points), len(on_photo.points), judged)
    left, right = st.columns(2)
    with left:
        picture_marks(
            to_png(cold), size=(cold.shape[1], cold.shape[0]), title="Thermal picture",
            mode="point", key=shell.key(file, "thermal"), on_event=thermal.take,
            marks=_marks(thermal.points, judged),
        )  # fmt: skip
    with right:
        picture_marks(
            photo.data, size=photo.size, title="Board photo", mode="point",
            key=shell.key(file, "photo"), on_event=on_photo.take,
            marks=_marks(on_photo.points, judged),
        )  # fmt: skip
    _table(judged)
    _use(file, board, pairs)
    _other_ways(file, board, cold, photo)


def _source(file: JobFile, folder: Path) -> None:
    view = shared.desk().view
    with st.container(horizontal=True, vertical_alignment="bottom"):
        values = None if view is None else view.cold
        if st.button("Take the camera's picture", disabled=values is None) and values is not None:
            keep_cold(folder, file.job.id, values)
            st.rerun()
        kept = shell.kept(file, "recording", "")
        if st.button("Take it from the last recording", disabled=not kept):
            with shell.told():
                keep_cold(folder, file.job.id, first_picture(Path(kept)))
                st.rerun()
        if any(ClickList(file, name).points for name in _BOTH) and st.button("Clear all clicks"):
            for name in _BOTH:
                ClickList(file, name).change([])
            shell.keep(file, STAND, None)
            st.rerun()


def _say(thermal: int, photo: int, judged: Residuals) -> None:
    number = min(thermal, photo) + 1
    if thermal > photo:
        st.markdown(f"**Now click landmark {photo + 1} on the photo.**")
    elif photo > thermal:
        st.markdown(f"**Now click landmark {thermal + 1} on the thermal picture.**")
    elif number <= _ENOUGH:
        st.markdown(
            f"**Click landmark {number} on the thermal picture, then on the photo.** "
            "Corners, holes, large pads; far apart."
        )
    else:
        agree = "" if judged.rms_px is None else f" They agree to {judged.rms_px:.2f} thermal px."
        st.markdown(f"**{number - 1} landmarks.**{agree}")
    for text in judged.says:
        if text and number > 3:
            st.warning(shell.plain(text))


def _marks(points: Sequence[tuple[float, float]], judged: Residuals) -> list[dict[str, Any]]:
    wrong = {number for number, _, is_wrong in judged.rows if is_wrong}
    return [{"x": x, "y": y, "wrong": i + 1 in wrong} for i, (x, y) in enumerate(points)]


def _table(judged: Residuals) -> None:
    if judged.rms_px is None:
        return
    shell.table(
        [
            {
                "Landmark": number,
                "Off by, photo px": "" if off is None else f"{off:.1f}",
                "Verdict": "wrong click: left out" if wrong else "",
            }
            for number, off, wrong in judged.rows
        ]
    )


def _use(file: JobFile, board: Board, pairs: Any) -> None:
    view = shared.desk().view
    if view is None or shared.desk().job_id != file.job.id or len(pairs) < 3:
        return
    if not np.array_equal(view.case.landmarks, pairs):
        view.set_case(replace(view.case, landmarks=pairs, board=board))


def _other_ways(file: JobFile, board: Board, cold: Any, photo: Photo) -> None:
    """Landmarks without clicking each pair: by edges, by a kept stand, by touching."""
    one, two, three = st.columns(3, gap="large")
    with one:
        st.markdown("**By edges**")
        st.caption("The board's outline and bright parts are looked for in the thermal picture.")
        with shell.told():
            _automatic(file, board, cold, photo)
    with two:
        st.markdown("**By the stand**")
        st.caption("Camera and board holder fixed: kept once, checked against each new baseline.")
        with shell.told():
            stand(file, board, cold, photo.path)
    with three:
        st.markdown("**By touching**")
        st.caption(
            "Click places on the photo. Record on Live, touching them in the same order with a warm"
            " tip: a second on, two seconds off. Nothing may be powered."
        )
        with shell.told():
            _touch(file, board)


def _touch(file: JobFile, board: Board) -> None:
    kept = shell.kept(file, "recording", "")
    clicks = ClickList(file, "marks_photo").points
    if st.button("Find the touches in the last recording", disabled=not kept or len(clicks) < 3):
        set_landmarks(file, pair_touches(Path(kept), np.array(clicks), board=board))
        st.toast(f"{len(clicks)} touches paired with the clicks")
        st.rerun()


def _automatic(file: JobFile, board: Board, cold: Any, picture: Photo) -> None:
    if not st.button("Propose landmarks"):
        return
    photo = picture.rgb()
    with st.spinner("Looking for the board in the thermal picture …"):
        found = register_automatically(cold, photo=photo, board=board)
    if found.photo_from_thermal is None:
        st.warning(shell.plain(" ".join(found.warnings) or "No match was found."))
        return
    set_landmarks(file, to_landmarks(found.photo_from_thermal, shape=cold.shape))
    st.toast(f"Proposed; check it. {found.support}")
    st.rerun()
