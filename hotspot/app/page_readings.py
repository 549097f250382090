"""Readings: the current at the supply, and the meter on each rail."""

from __future__ import annotations

import streamlit as st

from hotspot.app import shared, shell
from hotspot.board import Board
from hotspot.errors import InputError
from hotspot.jobs.intake import job_readings, reading_entries
from hotspot.jobs.progress import Stage, find_next
from hotspot.rails.current_log import parse_amps
from hotspot.rails.order import inject_order
from hotspot.rails.reading import Mode, Polarity
from hotspot.rails.sheet import parse_readings
from hotspot.rails.signature import build_signature
from hotspot.rails.triage import triage, triage_to_dict
from hotspot.rails.verdict import RailVerdict, Verdict, judge_readings
from hotspot.store.entries import JobFile, Phase, TriageEntry


def show() -> None:
    """Show the page."""
    file = shell.need_file()
    # Without a board the readings are the next step all the same.
    first = find_next(file).stage is Stage.BOARD
    now = "Measure the rails to ground with the board unpowered." if first else ""
    shell.heading(file, Stage.READINGS, now=now)
    board = shared.board_of(file)
    left, right = st.columns(2, gap="large")
    with left:
        # What to do first stands where it is seen without scrolling.
        _order(file, board)
        shell.seen_before(file)
        supply_current(file, Phase.BEFORE)
    with right:
        meter(file, Phase.BEFORE, board=board)


def supply_current(file: JobFile, phase: Phase) -> None:
    """Ask for the current at the supply and show what it says."""
    st.subheader("Current at the supply")
    st.caption("Battery out. Supply at about battery voltage, low current limit.")
    one, two, three = st.columns(3)
    tag = str(phase)
    before = one.text_input(
        "Before the button", placeholder="1mA", **shell.remember(file, f"{tag}.before", "")
    )
    press = two.text_input(
        "On pressing it", placeholder="0.12", **shell.remember(file, f"{tag}.press", "")
    )
    later = three.text_input(
        "After that, each second", placeholder="0.4 0.3", **shell.remember(file, f"{tag}.later", "")
    )
    st.button(
        "Judge the current", key=f"{tag}.judge", disabled=not (before or press or later),
        on_click=shell.acting, args=(_judge, file, phase),
    )  # fmt: skip
    found = [t for t in file.triages if t.phase is phase]
    if found:
        data = found[-1].data
        st.markdown(f"**{found[-1].verdict}**")
        for reason in data.get("reasons", ())[:2]:
            st.write(shell.plain(reason["says"]))
        st.caption(shell.plain(f"Next: {data.get('next', '')}"))


def _judge(file: JobFile, phase: Phase) -> None:
    before, press, later = (
        str(st.session_state[shell.key(file, f"{phase}.{name}")])
        for name in ("before", "press", "later")
    )
    signature = build_signature(
        before_a=parse_amps(before, name="before") if before.strip() else None,
        press_a=parse_amps(press, name="pressing") if press.strip() else None,
        later_a=[parse_amps(w.strip(","), name="after") for w in later.split()],
    )
    result = triage(signature)
    entry = TriageEntry(result.verdict, triage_to_dict(result), phase)
    shared.store().add(file.job.id, [entry])


def meter(file: JobFile, phase: Phase, *, board: Board | None) -> None:
    """Ask for the meter's readings and show the verdict on each rail."""
    st.subheader("Meter on the rails")
    st.caption("Board unpowered, battery out, large capacitors discharged. One rail a line.")
    tag = str(phase)
    text = st.text_area(
        "Readings as the meter shows them",
        placeholder="VSYS 0.002\n3V3 0.34\n1V8 OL",
        height=110,
        **shell.remember(file, f"{tag}.lines", ""),
    )
    one, two, three = st.columns([2, 2, 2], vertical_alignment="bottom")
    one.segmented_control(
        "Meter mode",
        [Mode.DIODE.value, Mode.OHM.value],
        default=Mode.DIODE.value,
        required=True,
        key=shell.key(file, f"{tag}.mode"),
    )
    two.number_input(
        "Probes touching, Ω",
        min_value=0.0,
        max_value=10.0,
        step=0.1,
        key=shell.key(file, f"{tag}.lead"),
    )
    three.button(
        "Note readings",
        type="primary",
        disabled=not text.strip(),
        width="stretch",
        key=f"{tag}.note",
        on_click=shell.acting,
        args=(_note, file, phase),
    )
    verdicts = judge_readings(job_readings(file, phase), board=board)
    if verdicts:
        shell.table([_row(v) for v in verdicts])


def _note(file: JobFile, phase: Phase) -> None:
    given = st.session_state
    found = parse_readings(
        str(given[shell.key(file, f"{phase}.lines")]),
        name="readings",
        mode=Mode(given[shell.key(file, f"{phase}.mode")]),
        polarity=Polarity.UNKNOWN,
        lead_ohm=float(given[shell.key(file, f"{phase}.lead")]),
    )
    if not found:
        raise InputError("no readings given", cure="Write for example: VSYS 0.002")
    shared.store().add(file.job.id, reading_entries(found, phase))
    shell.forget(file, f"{phase}.lines")


def _row(verdict: RailVerdict) -> dict[str, str]:
    doubt = "" if verdict.sure or verdict.verdict is Verdict.UNKNOWN else " ?"
    return {
        "Rail": verdict.target,
        "Verdict": str(verdict.verdict) + doubt,
        "Why": "; ".join(verdict.reasons),
    }


def _order(file: JobFile, board: Board | None) -> None:
    verdicts = judge_readings(job_readings(file, Phase.BEFORE), board=board)
    triaged = [t for t in file.triages if t.phase is Phase.BEFORE]
    order = inject_order(
        verdicts, board=board, triage_verdict=triaged[-1].verdict if triaged else ""
    )
    if order:
        first = order[0]
        st.success(f"Inject first: **{shell.plain(first.target)}**, {shell.plain(first.where)}")
        st.caption(shell.plain("; ".join(first.reasons)))
        if st.button(f"Plan for {first.target}", type="primary"):
            shell.keep(file, "rail", first.target)
            st.session_state.pop(shell.key(file, "rail"), None)
            shell.go(Stage.PLAN)
    elif verdicts:
        st.info("No rail reads short or low: nothing to inject into.")
