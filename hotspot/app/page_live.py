"""Live: the camera, the cold baseline, the output, the answer as it grows."""

from __future__ import annotations

import streamlit as st

from hotspot.app import shared, shell
from hotspot.app.analysis import analyse
from hotspot.app.live_choose import choose_camera
from hotspot.app.live_view import live_view
from hotspot.bench.cue import PulseTrain
from hotspot.bench.live import LiveView
from hotspot.board import Board
from hotspot.errors import InputError
from hotspot.jobs.live_for_job import (
    find_set_point,
    new_recording_folder,
    register,
)
from hotspot.jobs.progress import Stage
from hotspot.store.entries import JobFile


def show() -> None:
    """Show the page."""
    file = shell.need_file()
    shell.heading(file, Stage.LIVE)
    board = shared.board_of(file)
    view = shared.desk().view
    if view is None or shared.desk().job_id != file.job.id:
        choose_camera(file, board, other=view is not None)
        return
    if not _has_camera():
        return
    _watch(file, board, view)


def _has_camera() -> bool:
    desk = shared.desk()
    if desk.is_owner(shell.who()):
        return True
    if not desk.is_owner_looking:
        desk.take_over(shell.who())  # the same tab after a reload, or the other one is closed
        return True
    st.warning("The camera is worked from another tab. This one shows the picture only.")
    if st.button("Take over"):
        desk.take_over(shell.who())
        st.rerun()
    _picture(None, None)
    return False


def _watch(file: JobFile, board: Board | None, view: LiveView) -> None:
    _keys(file, view)
    _picture(view, board)
    _below(file, board, view)


def _keys(file: JobFile, view: LiveView) -> None:
    state = view.state()
    with st.container(horizontal=True, vertical_alignment="bottom"):
        if st.button(
            "Cold baseline",
            key="live.baseline",
            shortcut="b",
            icon=":material/ac_unit:",
            type="primary" if state.baseline == "none" else "secondary",
            disabled=state.on is True,
            help="Board at rest, output off, hands away, for 5 s",
        ):
            view.take_baseline()
            if not view.is_taping:
                view.begin_tape(new_recording_folder(shared.data_folder(), file.job.id))
            st.rerun()
        on = state.on is True
        taken = state.baseline == "taken"
        if st.button(
            "Output off" if on else "Output on",
            key="live.output",
            shortcut="o",
            icon=":material/bolt:",
            type="primary" if taken or on else "secondary",
            disabled=not on and state.baseline != "taken",
            help=_output_help(view),
        ):
            volts, amps = _set_point(file, view)
            view.switch(not on, volts=volts, amps=amps)
            st.rerun()
        frozen = st.session_state.get("frozen", False)
        if st.button(
            "Go on" if frozen else "Freeze",
            key="live.freeze",
            shortcut="f",
            icon=":material/pause:",
        ):
            st.session_state["frozen"] = not frozen
            st.rerun()
        if st.button(
            "Save evidence",
            key="live.save",
            shortcut="s",
            icon=":material/save:",
            disabled=not view.is_taping,
            help="Ends the recording, analyses it in full, keeps all in the job",
        ):
            _save(file, view)
        if st.button(
            "Stop recording" if view.is_taping else "Record",
            key="live.tape",
            shortcut="t",
            icon=":material/fiber_manual_record:",
        ):
            _record(file, view)
            st.rerun()
        if st.button("Close camera", icon=":material/videocam_off:"):
            shared.desk().close(shell.who())
            st.rerun()


def _output_help(view: LiveView) -> str:
    if view.stand is not None:
        return "Switches the practice supply at the plan's set point"
    return "Press at the moment you switch the supply by hand: it is written down"


def _set_point(file: JobFile, view: LiveView) -> tuple[float | None, float | None]:
    found = find_set_point(file, rail=view.case.rail)
    if found is not None:
        return found
    return (0.5, 0.3) if view.stand is not None else (None, None)


def _record(file: JobFile, view: LiveView) -> None:
    if view.is_taping:
        folder = view.end_tape()
        if folder is not None:
            shell.keep(file, "recording", str(folder))
            st.toast(f"Recorded: {folder}")
    else:
        view.begin_tape(new_recording_folder(shared.data_folder(), file.job.id))


def _save(file: JobFile, view: LiveView) -> None:
    if view.stand is not None and view.state().on:
        view.switch(False)
    folder = view.end_tape()
    if folder is None:
        raise InputError("nothing was recorded", cure="Take the cold baseline, then switch on")
    shell.keep(file, "recording", str(folder))
    analyse(file, folder)
    shell.go(Stage.VERIFY if shell.kept(file, "after", False) else Stage.FINDING)


def _picture(view: LiveView | None, board: Board | None) -> None:
    matrix = None
    if view is not None:
        found, _ = register(view.case.landmarks, board)
        if found is not None and found.photo_from_thermal is not None:
            matrix = found.photo_from_thermal.matrix
    chosen = st.session_state
    over = chosen.get("over", "board photo") == "board photo" and matrix is not None
    live_view(
        view="photo" if over else "thermal",
        shown=chosen.get("shown", "rise"),
        colours=chosen.get("colours", "inferno"),
        frozen=bool(chosen.get("frozen", False)),
        matrix=matrix,
    )


def _below(file: JobFile, board: Board | None, view: LiveView) -> None:
    with st.container(horizontal=True, vertical_alignment="center"):
        st.segmented_control(
            "Heat over",
            ["board photo", "thermal picture"],
            default="board photo",
            key="over",
            label_visibility="collapsed",
        )
        st.segmented_control(
            "Shown",
            ["rise", "temperature"],
            default="rise",
            key="shown",
            label_visibility="collapsed",
        )
        st.segmented_control(
            "Colours",
            ["inferno", "cividis", "grey"],
            default="inferno",
            key="colours",
            label_visibility="collapsed",
        )
        _, why = register(view.case.landmarks, board)
        if why:
            st.caption(f"Not laid over the board: {why}. See Board, Landmarks.")
        if view.train is None:
            if st.button(
                "Pulses by hand", help="Cues for switching on and off, 8 s each, 5 pulses"
            ):
                view.begin_train(PulseTrain(first_s=0.0))
                st.rerun()
        elif st.button("End the cues"):
            view.begin_train(None)
            st.rerun()
    st.caption(
        "Look at another page for half a minute and the camera stays open, for as long as a"
        " recording runs; after that it is released."
    )
