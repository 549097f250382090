"""Verify: the same measurements again, beside those from before."""

from __future__ import annotations

import streamlit as st

from hotspot.app import shared, shell
from hotspot.app.analysis import is_working, show_work
from hotspot.app.colours import to_rgb
from hotspot.app.page_readings import meter, supply_current
from hotspot.bench.score import score_practice
from hotspot.board import Board
from hotspot.jobs.intake import reading_entries
from hotspot.jobs.practice_job import SEED, measure_practice_board
from hotspot.jobs.progress import Stage
from hotspot.jobs.side_by_side import load_side_by_side
from hotspot.jobs.verify import job_board, verify_job
from hotspot.rails.verification import verification_to_dict
from hotspot.store.entries import JobFile, Phase, VerificationEntry
from hotspot.store.history import faulty_parts

_SPEAKS = {
    "for": "the repair held", "another": "there is another fault",
    "against": "the fault is still there", "silent": "says nothing",
}  # fmt: skip
_SIGNS = {"repaired": st.success, "another fault": st.error}


def show() -> None:
    """Show the page."""
    goes_on = is_working(shell.job_id())
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
        if shell.kept(file, SEED) is not None and board is not None:
            st.button(
                "Measure the practice board", icon=":material/electric_meter:",
                help="Notes what a meter would show on its rails now, supply off",
                on_click=shell.acting, args=(_measure, file, board),
            )  # fmt: skip
    st.button(
        "Compare before and after", type="primary", icon=":material/compare:",
        on_click=shell.acting, args=(_compare, file),
    )  # fmt: skip
    if file.verifications:
        newest = file.verifications[-1]
        _SIGNS.get(newest.verdict, st.warning)(f"**{newest.verdict.capitalize()}**")
        pieces = newest.data.get("evidence", ())
        says = [
            f"- **{_SPEAKS.get(p['speaks'], p['speaks'])}** ({p['kind']}): {shell.plain(p['says'])}"
            for p in pieces
        ]
        st.markdown("\n".join(says))
        st.caption(shell.plain(f"Next: {newest.data.get('next', '')}"))
    show_work(file, goes_on=goes_on)
    if not goes_on:
        _pictures(file)


def _measure(file: JobFile, board: Board) -> None:
    seed = int(shell.kept(file, SEED))
    found = measure_practice_board(board, seed=seed, taken_off=faulty_parts(file.actions))
    shared.store().add(file.job.id, reading_entries(found, Phase.AFTER))


def _compare(file: JobFile) -> None:
    result = verify_job(file, board=job_board(shared.store(), file))
    entry = VerificationEntry(result.verdict, verification_to_dict(result))
    shared.store().add(file.job.id, [entry])


def _pictures(file: JobFile) -> None:
    both = load_side_by_side(shared.store(), file)
    if both.before is None and both.after is None:
        return
    st.subheader("Heat before and after, same colours")
    sides = (("Before", both.before, both.before_top), ("After", both.after, both.after_top))
    for column, (name, picture, top) in zip(st.columns(2), sides, strict=True):
        if picture is None:
            column.info(f"{name}: no recording. Record again on Live, taken after the repair.")
        else:
            column.image(
                to_rgb(picture, low=0.0, high=both.top, name="inferno"),
                caption=f"{name}: +{top:.2g} {both.unit} at the warmest place",
                width="stretch",
            )


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
