"""Live: the camera, the cold baseline, the output, the answer as it grows."""

from __future__ import annotations

import time
from typing import Any

import streamlit as st

from hotspot.app import shared, shell
from hotspot.app.analysis import analyse
from hotspot.app.board_stand import check_stand
from hotspot.app.live_choose import choose_camera
from hotspot.app.live_supply import is_programmable, switch_supply, unknown_output, work_supply
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
from hotspot.jobs.progress import Stage, find_next
from hotspot.register.warp import to_straight_matrix
from hotspot.store.entries import JobFile

# A busy machine may call the page back so late.
LEAVING_S = 12.0


def show() -> None:
    """Show the page."""
    file = shell.need_file()
    leaves, since_s = shell.kept(file, "leaves", ["", 0.0])
    if leaves and 0 <= time.time() - since_s < LEAVING_S:
        shell.go(Stage(leaves))
    desk = shared.desk()
    view = desk.view if desk.job_id == file.job.id else None
    looks_on = not desk.is_owner(shell.who()) and desk.is_owner_looking
    now = "" if view is None or looks_on else _now(file, view)
    if view is None and find_next(file).stage is Stage.LIVE:
        now = "Open the camera."
    shell.heading(file, Stage.LIVE, now=now)
    unknown_output()
    board = shared.board_of(file)
    if view is None:
        choose_camera(file, board, other=desk.view is not None)
        return
    if not _has_camera():
        return
    _watch(file, board, view)


def _now(file: JobFile, view: LiveView) -> str:
    """Return what the hand should do next; the page is drawn anew whenever it changes."""
    state = view.state()
    if view.train is not None and state.baseline == "taken":
        return "Switch with the cues; save the evidence when the train is done."
    if view.is_driven or state.on:
        return "Watch until a part stands out, then save the evidence."
    if state.baseline == "none":
        return "Output off, hands away: take the cold baseline."
    if state.baseline == "taking":
        return "Hold still."
    if state.on is None:
        return "Run the plan." if is_programmable(file) else "Switch the output on."
    return "Save the evidence, or switch on again."


def _has_camera() -> bool:
    desk = shared.desk()
    if desk.is_owner(shell.who()):
        return True
    if not desk.is_owner_looking:
        desk.take_over(shell.who())  # the same tab after a reload, or the other one is closed
        return True
    st.warning("The camera is worked from another tab. This one shows the picture only.")
    with st.container(horizontal=True):
        if st.button("Take over"):
            desk.take_over(shell.who())
            st.rerun()
        if desk.view is not None and desk.view.is_driven:
            # Whoever sees that something is wrong may stop it, at once.
            st.button("Stop, output off", type="primary", icon=":material/bolt:", shortcut="o",
                      on_click=shell.acting, args=(desk.stop_run,))  # fmt: skip
    _picture(None, None)
    return False


def _watch(file: JobFile, board: Board | None, view: LiveView) -> None:
    _keys(file, view)
    check_stand(file, board, view)
    _picture(view, board)
    _below(file, board, view)


def _keys(file: JobFile, view: LiveView) -> None:
    """Show the buttons; what they do is done before the page is drawn, so nothing cuts it short."""
    state = view.state()
    on = state.on is True or view.is_driven
    taken = state.baseline == "taken"

    def button(label: str, key: str, letter: str | None, icon: str, **more: Any) -> None:
        act, args = more.pop("act"), more.pop("args", ())
        st.button(
            label,
            key=f"live.{key}",
            shortcut=letter,
            icon=f":material/{icon}:",
            on_click=shell.acting,
            args=(act, *args),
            **more,
        )

    with st.container(horizontal=True, vertical_alignment="bottom"):
        button(
            "Cold baseline", "baseline", "b", "ac_unit", act=_take_baseline, args=(file, view),
            type="primary" if state.baseline == "none" else "secondary", disabled=on,
            help="Board at rest, output off, hands away, for 5 s",
        )  # fmt: skip
        if view.is_driven or is_programmable(file):
            button(
                "Stop, output off" if view.is_driven else "Run the plan", "output", "o", "bolt",
                act=switch_supply, args=(file, view), disabled=not view.is_driven and not taken,
                type="primary" if taken or view.is_driven else "secondary",
                help="The supply goes through the plan; the camera switches it off when in doubt",
            )  # fmt: skip
        else:
            button(
                "Output off" if on else "Output on", "output", "o", "bolt", act=_switch,
                args=(file, view, not on), type="primary" if taken or on else "secondary",
                disabled=not on and not taken, help=_output_help(view),
            )  # fmt: skip
        button(
            "Save evidence", "save", "s", "save", act=_save, args=(file, view),
            disabled=not view.is_taping,
            help="Ends the recording, analyses it in full, keeps all in the job",
        )  # fmt: skip
        button(
            "Stop recording" if view.is_taping else "Record", "tape", "t", "fiber_manual_record",
            act=_record, args=(file, view),
        )  # fmt: skip
        button("Close camera", "close", None, "videocam_off", act=shared.desk().close,
               args=(shell.who(),))  # fmt: skip


def _take_baseline(file: JobFile, view: LiveView) -> None:
    view.take_baseline()
    if not view.is_taping:
        view.begin_tape(new_recording_folder(shared.data_folder(), file.job.id))


def _switch(file: JobFile, view: LiveView, on: bool) -> None:
    volts, amps = _set_point(file, view)
    view.switch(on, volts=volts, amps=amps)


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
    shared.desk().stop_run()
    folder = view.end_tape()
    if folder is None:
        raise InputError("nothing was recorded", cure="Take the cold baseline, then switch on")
    shell.keep(file, "recording", str(folder))
    view.rest()
    analyse(file, folder)
    after = shell.kept(file, "after", False)
    stage = Stage.VERIFY if after else Stage.FINDING
    # Not in the session's state: touching that may end a run for which a newer one waits, and the
    # live picture may just have asked for one. It may also call the page back: it is left again.
    shell.keep(file, "leaves", [stage.value, time.time()])


def _picture(view: LiveView | None, board: Board | None) -> None:
    matrix = None
    if view is not None:
        found, _ = register(view.case.landmarks, board)
        if found is not None and found.photo_from_thermal is not None:
            matrix = to_straight_matrix(found.photo_from_thermal)
    chosen = st.session_state
    over = chosen.get("over", "board photo") == "board photo" and matrix is not None
    live_view(
        view="photo" if over else "thermal",
        shown=chosen.get("shown", "rise"),
        colours=chosen.get("colours", "inferno"),
        matrix=matrix,
        sound=bool(chosen.get("sound", False)),
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
        # Before what comes and goes: where its place changes, an open popover closes.
        work_supply(file, view)
        if view.train is not None:
            if st.button("End the cues"):
                view.begin_train(None)
                st.rerun()
        elif not is_programmable(file) and st.button(
            "Pulses by hand", help="Cues for switching on and off, 8 s each, 5 pulses"
        ):
            view.begin_train(PulseTrain(first_s=0.0))
            st.rerun()
        st.toggle("Sound", key="sound", help="Cues and alarms are heard as well")
    _, why = register(view.case.landmarks, board)
    if why:
        st.caption(f"Not laid over the board: {why}. See Board, Landmarks.")
    st.caption(
        "Look at another page for half a minute and the camera stays open, for as long as a"
        " recording runs; after that it is released."
    )
