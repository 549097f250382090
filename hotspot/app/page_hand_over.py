"""Hand-over: close the job and save its report."""

from __future__ import annotations

import streamlit as st

from hotspot.app import shared, shell
from hotspot.errors import InputError
from hotspot.jobs.hand_over import write_report
from hotspot.jobs.intake import parse_action
from hotspot.jobs.progress import Stage
from hotspot.store.entries import JobFile, Outcome, Status


def show() -> None:
    """Show the page."""
    file = shell.need_file()
    shell.heading(file, Stage.HAND_OVER)
    left, right = st.columns([3, 2], gap="large")
    with left:
        _done(file)
    with right:
        _close(file)
        _report(file)


def _done(file: JobFile) -> None:
    st.subheader("What was done")
    rows = [
        {
            "When": f"{a.at:%Y-%m-%d %H:%M}" if a.at else "",
            "What": str(a.kind),
            "Part": a.ref,
            "Note": a.note,
        }
        for a in file.actions
    ]
    if rows:
        shell.table(rows)
    else:
        st.caption("Nothing noted yet.")
    if file.job.status is Status.CLOSED:
        return
    text = st.text_input(
        "Note", placeholder="replaced C17 10 µF 0402", **shell.remember(file, "action", "")
    )
    st.button("Note it", disabled=not text.strip(), on_click=shell.acting, args=(_note, file, text))


def _note(file: JobFile, text: str) -> None:
    words = text.strip().split()[0].casefold()
    known = words in ("removed", "replaced", "refitted", "note")
    shared.store().add(file.job.id, [parse_action(text if known else f"note {text}")])
    shell.forget(file, "action")


def _close(file: JobFile) -> None:
    st.subheader("Close")
    job = file.job
    if job.status is Status.CLOSED:
        st.success(f"Closed: {job.outcome}")
        st.button("Open again", on_click=shell.acting, args=(_reopen, file))
        return
    verdict = file.verifications[-1].verdict if file.verifications else "not verified"
    st.caption(f"Verification: {verdict}")
    outcome = st.segmented_control(
        "Outcome", [o.value for o in Outcome], key=shell.key(file, "outcome")
    )
    st.button("Close job", type="primary", on_click=shell.acting, args=(_end, file, outcome))


def _reopen(file: JobFile) -> None:
    job = file.job
    shared.store().update_job(job.id, version=job.version, status=Status.OPEN)


def _end(file: JobFile, outcome: str | None) -> None:
    if outcome is None:
        raise InputError("no outcome chosen", cure="Choose how the job ended")
    job = file.job
    shared.store().update_job(
        job.id, version=job.version, status=Status.CLOSED, outcome=Outcome(outcome)
    )


def _report(file: JobFile) -> None:
    st.subheader("Report")
    st.caption("Result, pictures before and after, readings, settings, cautions, hashes.")
    st.download_button(
        "Save report (PDF)",
        data=lambda: write_report(shared.store(), file.job.id),
        file_name=f"job-{file.job.id}.pdf",
        mime="application/pdf",
        type="primary" if file.job.status is Status.CLOSED else "secondary",
        icon=":material/picture_as_pdf:",
    )
