"""The supply on the Live page: switched by hand, or a programmable one that runs the plan."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from hotspot.app import shared, shell
from hotspot.bench.live import LiveView
from hotspot.bench.supply_run import to_supply_opener
from hotspot.devices.dialect import load_dialect
from hotspot.jobs.live_for_job import find_schedule, new_recording_folder
from hotspot.store.entries import JobFile

BY_HAND, PROGRAMMABLE = "by hand", "programmable"
STEPS, PULSES = "steps of the plan", "pulse train"


def is_programmable(file: JobFile) -> bool:
    """Return whether the job's supply is driven by the program."""
    return bool(shell.kept(file, "supply.kind", BY_HAND) == PROGRAMMABLE)


def work_supply(file: JobFile, view: LiveView) -> None:
    """Ask which supply it is, and what it should do."""
    # Its label stays as it is: under another one the popover would close while it is being used.
    with st.popover("Supply", icon=":material/power:", disabled=view.is_driven):
        st.segmented_control(
            "The supply is switched",
            [BY_HAND, PROGRAMMABLE],
            required=True,
            **shell.remember(file, "supply.kind", BY_HAND),
        )
        if not is_programmable(file):
            st.caption("Press O at the moment you switch, or follow the cues of Pulses by hand.")
            return
        if view.stand is None:
            st.text_input(
                "Address (VISA)",
                placeholder="TCPIP::HOST::5025::SOCKET",
                **shell.remember(file, "supply.address", ""),
            )
            st.text_input(
                "Words of the supply (TOML file), when it does not speak plain SCPI",
                **shell.remember(file, "supply.words", ""),
            )
        else:
            st.caption("The practice stand has a supply of its own.")
        st.segmented_control(
            "It goes through", [STEPS, PULSES], required=True,
            **shell.remember(file, "supply.what", STEPS),
        )  # fmt: skip
        if shell.kept(file, "supply.what", STEPS) == PULSES:
            st.number_input(
                "Minutes", 0.5, 60.0, step=0.5, **shell.remember(file, "supply.minutes", 2.0)
            )
        st.caption(
            "The camera guards: the output goes off when a pixel is too hot, the rise is too fast,"
            " or pictures stop. Keep the supply's own switch in reach."
        )


def switch_supply(file: JobFile, view: LiveView) -> None:
    """Begin a run, or end it with the output off."""
    desk = shared.desk()
    if view.is_driven:
        desk.stop_run()
        return
    pulses = shell.kept(file, "supply.what", STEPS) == PULSES
    schedule = find_schedule(
        file,
        rail=view.case.rail,
        pulse_minutes=float(shell.kept(file, "supply.minutes", 2.0)) if pulses else None,
    )
    words = str(shell.kept(file, "supply.words", "")).strip()
    opener = to_supply_opener(
        view,
        address=str(shell.kept(file, "supply.address", "")),
        dialect=load_dialect(Path(words).expanduser()) if words else None,
    )
    if not view.is_taping:
        view.begin_tape(new_recording_folder(shared.data_folder(), file.job.id))
    desk.begin_run(shell.who(), schedule, opener=opener)


def unknown_output() -> None:
    """Keep asking until a person has switched off what the program could not."""
    run = shared.desk().run
    if run is None or not run.state().off_is_unknown:
        return
    left, right = st.columns([4, 1], vertical_alignment="center")
    left.error(f"Switch the supply off by hand now. {run.state().reason}", icon=":material/bolt:")
    right.button("It is off", type="primary", on_click=shared.desk().forget_run)
