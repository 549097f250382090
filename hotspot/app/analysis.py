"""An analysis in the background, as the pages show it."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from hotspot.app import shared, shell
from hotspot.store.entries import JobFile, Phase


def analyse(file: JobFile, folder: Path) -> None:
    """Begin to analyse a recording in full; all is kept in the job when it is done."""
    phase = Phase.AFTER if shell.kept(file, "after", False) else Phase.BEFORE
    shared.works().start(shared.store(), file.job.id, folder, phase=phase)


def is_working(job_id: int | None) -> bool:
    """Return whether an analysis goes on for a job.

    To be asked before the job is read: when it ends in between, the page would have neither
    progress nor finding, and nothing would draw it again.
    """
    work = None if job_id is None else shared.works().of(shared.store(), job_id)
    return work is not None and work.is_alive()


def show_work(file: JobFile, *, goes_on: bool) -> None:
    """Show an analysis that goes on, or why it broke off."""
    work = shared.works().of(shared.store(), file.job.id)
    if goes_on:
        _progress(file)
    elif work is not None and work.problem:
        st.error(work.problem)


@st.fragment(run_every=0.5)
def _progress(file: JobFile) -> None:
    work = shared.works().of(shared.store(), file.job.id)
    if work is None or not work.is_alive():
        st.rerun()
    else:
        st.progress(work.share, f"Analysing the recording. {work.doing}")
        st.caption("It goes on when you look at another page.")
