"""Finding: what the recording says, why, and what to do about it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import streamlit as st

from hotspot.app import shared, shell
from hotspot.app.analysis import analyse, is_working, show_work
from hotspot.bench.cans import find_cans_on_rail
from hotspot.errors import InputError
from hotspot.evidence.words import percent
from hotspot.jobs.confront_for_job import confront_for_job
from hotspot.jobs.intake import parse_action
from hotspot.jobs.practice_job import CANS, SEED
from hotspot.jobs.progress import Stage
from hotspot.store.entries import FindingEntry, JobFile, Phase


def show() -> None:
    """Show the page."""
    goes_on = is_working(shell.job_id())
    file = shell.need_file()
    shell.heading(file, Stage.FINDING, now="Wait for the analysis." if goes_on else "")
    left = shell.kept(file, "recording", "")
    show_work(file, goes_on=goes_on)
    if goes_on:
        return
    found = [f for f in file.findings if f.phase is Phase.BEFORE]
    if not found:
        st.info("No finding yet: record on Live, or give a recording below.")
        _other(file, left)
        return
    newest = found[-1]
    if len(found) > 1:
        number = st.selectbox(
            "Recording",
            range(len(found), 0, -1),
            format_func=lambda n: f"finding {n} of {len(found)}",
        )
        newest = found[number - 1]
    one, two = st.columns([5, 3], gap="large")
    with one:
        _pictures(newest)
    with two:
        _answer(newest)
        _against_plan(file, newest)
        _cans(file, newest)
        _call(file, newest)
    with st.expander("Another recording"):
        _other(file, left)


def _pictures(finding: FindingEntry) -> None:
    names = {"evidence.png": "Annotated photo", "heat.png": "Heat and source"}
    kept = {f.name: f for f in finding.files if f.name in names}
    if not kept:
        st.caption("This finding was kept without pictures.")
        return
    for tab, name in zip(st.tabs([names[n] for n in kept]), kept, strict=True):
        data = shared.store().blobs.read(kept[name].sha256)
        tab.image(data, width="stretch")
        tab.download_button(f"Save {name}", data, name, "image/png", key=f"{finding.id}{name}")


def _answer(finding: FindingEntry) -> None:
    data = finding.data
    suspects = data.get("suspects") or []
    title = str(data.get("headline") or finding.verdict.capitalize())
    st.markdown(f"### {shell.plain(title)}")
    chance = float(data.get("false_alarm_probability", 1.0))
    if finding.verdict == "hot spot":
        text = "less than 1 in a million" if chance < 1e-6 else f"{chance:.2g}"
        st.caption(f"Chance of a reading this strong without any heat: {text}")
    if limit := str(data.get("limit") or ""):
        st.caption(shell.plain(limit))
    for suspect in suspects[:5]:
        p = float(suspect["probability"])
        st.progress(min(max(p, 0.0), 1.0), f"**{shell.plain(suspect['ref'])}** {percent(p)}")
        st.caption(shell.plain(suspect["why"]))
    rest = 1.0 - sum(float(s["probability"]) for s in suspects)
    if suspects:
        st.caption(f"Something else: {percent(max(rest, 0.0))}")
    for warning in _texts(data, "warnings"):
        st.warning(shell.plain(warning))
    if steps := _texts(data, "next_steps"):
        lines = "\n".join(f"- {shell.plain(step)}" for step in steps)
        st.markdown(f"**What to do next**\n{lines}")


def _against_plan(file: JobFile, finding: FindingEntry) -> None:
    """Say whether as much heat showed as the plan had predicted; worked out once a visit."""
    name = f"against{finding.id}"
    if name not in st.session_state:
        st.session_state[name] = confront_for_job(
            shared.store(), file, finding,
            wishes=shell.kept(file, "wishes"), board=shared.board_of(file),
        )  # fmt: skip
    if st.session_state[name]:
        st.markdown(f"**Against the plan:** {shell.plain(st.session_state[name])}")


def _texts(data: Any, name: str) -> list[str]:
    return [str(t) for t in data.get(name) or ()]


def _cans(file: JobFile, finding: FindingEntry) -> None:
    """Offer to lift a shield can over the rail when no part is named."""
    board = shared.board_of(file)
    rails = [r.rail for r in file.recordings if r.id == finding.recording_id]
    off = shell.kept(file, CANS, [])
    if board is None or not rails or finding.named_ref:
        return
    for can in find_cans_on_rail(board, rails[0]):
        if can in off:
            continue
        st.markdown(f"**Under {can}?**")
        st.caption(
            f"Parts of {rails[0]} lie under this shield can, and a camera sees the can only. Supply"
            " off, lift it, then take a new cold baseline."
        )
        if st.button(f"Note: {can} lifted", icon=":material/flip_to_front:"):
            shared.store().add(file.job.id, [parse_action(f"note {can} lifted")])
            shell.keep(file, CANS, [*off, can])
            desk = shared.desk()
            if desk.job_id == file.job.id:
                desk.close(shell.who())  # the board was moved: what was cold is no more
            shell.go(Stage.LIVE)


def _call(file: JobFile, finding: FindingEntry) -> None:
    st.markdown("##### What was taken off")
    ref = st.text_input("Part", **shell.remember(file, f"removed{finding.id}", finding.named_ref))
    if st.button("Note: taken off", type="primary", disabled=not ref.strip()):
        shared.store().add(file.job.id, [parse_action(f"removed {ref.strip()}")])
        view = shared.desk().view
        if view is not None and view.stand is not None and shared.desk().job_id == file.job.id:
            view.stand.take_off(ref.strip())
        shell.keep(file, "after", True)
        shell.go(Stage.VERIFY)
    if shell.kept(file, SEED) is not None:
        st.caption("Practice: the score is on Verify.")


def _other(file: JobFile, left: str) -> None:
    folder = st.text_input("Folder of a recording", value=left, key=shell.key(file, "other"))
    if st.button("Analyse it", disabled=not folder.strip()):
        path = Path(folder.strip()).expanduser()
        if not path.is_dir():
            raise InputError("no such folder", where=folder.strip(), cure="Check the name")
        analyse(file, path)
        st.rerun()
