"""Job: open one, or choose one that is there."""

from __future__ import annotations

import streamlit as st

from hotspot.app import shared, shell
from hotspot.errors import InputError
from hotspot.jobs.practice_job import open_practice_job
from hotspot.jobs.progress import Stage, find_next
from hotspot.store.entries import JobFile, Status


def show() -> None:
    """Show the page."""
    file = shell.current_file()
    if file is not None:
        _present(file)
        st.divider()
    left, right = st.columns([2, 3], gap="large")
    with left:
        _new()
    with right:
        _list()


def _present(file: JobFile) -> None:
    shell.heading(file, Stage.JOB)
    shell.seen_before(file)


def _new() -> None:
    st.subheader("New job")
    with st.form("new_job", border=False):
        customer = st.text_input("Your reference for the customer", placeholder="K-1041")
        board = st.text_input("Board type", placeholder="pump controller")
        complaint = st.text_input("Complaint", placeholder="does not start")
        if st.form_submit_button("Open job", type="primary", width="stretch"):
            with shell.told():  # what is refused is said here; the rest of the page stays
                if not customer.strip():
                    raise InputError("is empty", where="reference", cure="Write for example K-1041")
                job = shared.store().new_job(
                    customer=customer, board_type=board, complaint=complaint
                )
                shell.choose_job(job.id)
                shell.go(Stage.BOARD)
    st.subheader("Practise")
    st.write("A board with a hidden short and a camera that is not there: inject, watch, name it.")
    if st.button("Open a practice job", width="stretch"):
        shell.choose_job(open_practice_job(shared.store(), shared.drafts()))
        shell.go(Stage.READINGS)


def _list() -> None:
    st.subheader("Jobs")
    asked, state = st.columns([3, 2])
    text = asked.text_input(
        "Search", placeholder="customer, board, complaint or number", label_visibility="collapsed"
    )
    chosen = state.segmented_control(
        "Show", ["open", "all"], default="open", label_visibility="collapsed"
    )
    status = None if chosen == "all" else Status.OPEN
    jobs = shared.store().find_jobs(text, status=status, limit=30)
    if not jobs:
        st.caption("No jobs.")
    current = shell.job_id()
    for job in jobs:
        what = ", ".join(t for t in (job.customer, job.board_type, job.complaint) if t)
        here = job.id == current
        if st.button(
            f"**{job.id}**  {shell.plain(what)}",
            key=f"open{job.id}",
            width="stretch",
            type="primary" if here else "secondary",
        ):
            shell.choose_job(job.id)
            shell.go(find_next(shared.store().job_file(job.id)).stage)
