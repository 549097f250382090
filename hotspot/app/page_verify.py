"""Verify: the same measurements again, beside those from before."""

from __future__ import annotations

import streamlit as st

from hotspot.app import shared, shell
from hotspot.app.analysis import is_working
from hotspot.app.page_readings import meter, supply_current
from hotspot.bench.score import score_practice
from hotspot.jobs.practice_job import SEED
from hotspot.jobs.progress import Stage
from hotspot.jobs.verify import job_board, verify_job
from hotspot.rails.verification import verification_to_dict
from hotspot.store.entries import JobFile, Phase, VerificationEntry
from hotspot.store.history import faulty_parts

_SIGNS = {"repaired": st.success, "another fault": st.error}


def show() -> None:
    """Show the page."""
    file = shell.need_file()
    shell.heading(file, Stage.VERIFY)
    board = shared.board_of(file)
    if shell.kept(file, SEED) is not None:
        _score(file)
    left, right = st.columns(2, gap="large")
    with left:
        supply_current(file, Phase.AFTER)
    with right:
        meter(file, Phase.AFTER, board=board)
    st.button(
        "Compare before and after", type="primary", icon=":material/compare:",
        on_click=shell.acting, args=(_compare, file),
    )  # fmt: skip
    if file.verifications:
        newest = file.verifications[-1]
        _SIGNS.get(newest.verdict, st.warning)(f"**{newest.verdict.capitalize()}**")
        pieces = newest.data.get("evidence", ())
        says = [f"- {p['kind']} ({p['speaks']}): {shell.plain(p['says'])}" for p in pieces]
        st.markdown("\n".join(says))
        st.caption(shell.plain(f"Next: {newest.data.get('next', '')}"))
    if not is_working(file):
        _pictures(file)


def _compare(file: JobFile) -> None:
    result = verify_job(file, board=job_board(shared.store(), file))
    entry = VerificationEntry(result.verdict, verification_to_dict(result))
    shared.store().add(file.job.id, [entry])


def _pictures(file: JobFile) -> None:
    sides = []
    for phase in (Phase.BEFORE, Phase.AFTER):
        found = [f for f in file.findings if f.phase is phase and f.files]
        picture = next((a for f in found[-1:] for a in f.files if a.name == "heat.png"), None)
        sides.append(picture)
    if not any(sides):
        return
    st.subheader("Heat before and after")
    for column, picture, name in zip(st.columns(2), sides, ("Before", "After"), strict=True):
        with column:
            if picture is None:
                st.info(f"{name}: no recording. Record again on Live, taken after the repair.")
            else:
                st.image(shared.store().blobs.read(picture.sha256), caption=name, width="stretch")


def _score(file: JobFile) -> None:
    parts = faulty_parts(file.actions)
    board = shared.board_of(file)
    if not parts or board is None:
        st.info("Practice: note on Finding which part you take off, then the answer is told.")
        return
    score = score_practice(
        board,
        seed=int(shell.kept(file, SEED)),
        named=parts,
        findings=[f.data for f in file.findings if f.phase is Phase.BEFORE],
        rails=[r.rail for r in file.recordings if r.phase is Phase.BEFORE],
        planned=bool(file.plans),
    )
    lines = "\n".join(f"- {shell.plain(line)}" for line in score.lines)
    st.markdown(f"### Practice: {score.points} of 100 points\n{lines}")
