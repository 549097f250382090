"""Around every page: the job, the way through it, drafts, errors in one line."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from importlib import import_module
from typing import Any

import streamlit as st

from hotspot.app import shared
from hotspot.errors import HotspotError
from hotspot.jobs.progress import Stage, find_done, find_next
from hotspot.store.entries import JobFile, Status

# Large targets, little air lost at the top of a small laptop's screen.
STYLE = """<style>
.stMainBlockContainer { padding: 4.2rem 1.5rem 1.5rem; max-width: 1500px; }
.stButton button, .stDownloadButton button, .stFormSubmitButton button, .stLinkButton a
  { min-height: 2.9rem; padding: .4rem 1.1rem; }
.stMainBlockContainer > div > .stVerticalBlock { gap: .7rem; }
h1 { font-size: 1.5rem !important; padding: 0 !important; }
h2 { font-size: 1.25rem !important; } h3 { font-size: 1.1rem !important; }
/* The live picture stays as it is while the page round it is drawn anew. */
.st-key-live { opacity: 1 !important; transition: none !important; }
[data-testid="stTopNavLink"] { font-size: 1.02rem; min-height: 2.6rem; }
[data-testid="stButtonGroup"] button, [data-testid="stPopoverButton"] { min-height: 2.6rem; }
[data-testid="stMetricValue"] { font-size: 1.7rem; }
/* White on the dark theme's light teal would have a contrast of 2.4. */
button[kind="primary"], button[kind="primaryFormSubmit"] { color: light-dark(#fff, #06181a); }
</style>"""

_MODULES = {
    Stage.JOB: "page_job",
    Stage.BOARD: "page_board",
    Stage.READINGS: "page_readings",
    Stage.PLAN: "page_plan",
    Stage.LIVE: "page_live",
    Stage.FINDING: "page_finding",
    Stage.VERIFY: "page_verify",
    Stage.HAND_OVER: "page_hand_over",
}


def pages(file: JobFile | None) -> dict[Stage, Any]:
    """Return the pages, marked where the job holds something already."""
    done = find_done(file) if file is not None else frozenset()
    made = {}
    for stage, module in _MODULES.items():
        icon = ":material/check:" if stage in done and stage is not Stage.JOB else None
        made[stage] = st.Page(
            _runner(module),
            title=stage.value,
            icon=icon,
            url_path=stage.value.lower().replace("-", "_"),
            default=stage is Stage.JOB,
        )
    st.session_state["_pages"] = made
    return made


def _runner(module: str) -> Callable[[], None]:
    def run() -> None:
        # Only the page that is shown is imported: the first one opens quickly.
        show = import_module(f"hotspot.app.{module}").show
        with told():
            show()

    run.__name__ = module
    return run


def who() -> str:
    """Return the name of this browser tab."""
    if "_who" not in st.session_state:
        st.session_state["_who"] = uuid.uuid4().hex
    return str(st.session_state["_who"])


def job_id() -> int | None:
    """Return the job this tab works on: as in the address, else as before."""
    given = st.query_params.get("job", "")
    if given.isascii() and given.isdigit() and len(given) < 10:
        return int(given)
    kept = st.session_state.get("_job")
    return kept if isinstance(kept, int) else None


def choose_job(number: int | None) -> None:
    """Work on another job."""
    st.session_state["_job"] = number
    if number is None:
        st.query_params.pop("job", None)
    else:
        st.query_params["job"] = str(number)


def current_file() -> JobFile | None:
    """Return the job with all that is in it, None when none is chosen.

    Raises
    ------
    hotspot.errors.StoreError
        If the store cannot be read, or holds no such job.
    """
    number = job_id()
    if number is None:
        return None
    try:
        return shared.store().job_file(number)
    except HotspotError:
        choose_job(None)
        raise


def note_job(file: JobFile | None) -> None:
    """Keep the job's number in the address, so that a reload finds it."""
    if file is not None:
        choose_job(file.job.id)


def need_file() -> JobFile:
    """Return the job; without one, say so and end the page."""
    file = current_file()
    if file is None:
        st.info("Open a job first.")
        if st.button("Go to Job", type="primary"):
            go(Stage.JOB)
        st.stop()
    return file


def heading(file: JobFile, stage: Stage, *, now: str = "") -> None:
    """Show which job it is and what comes next; `now` where the page knows better than the job."""
    job = file.job
    step = find_next(file)
    board = job.board_type or "board type not noted"
    about = _plain(f"{job.customer}, {board}. {job.complaint}")
    with st.container(
        horizontal=True, horizontal_alignment="distribute", vertical_alignment="center"
    ):
        st.markdown(f"**{stage.value} · job {job.id}** &ensp; :gray[{about}]", width="content")
        if now or step.stage is stage:
            st.markdown(f"**Now:** {now or step.says}", width="content")
        elif st.button(
            f"Next: {step.stage.value}", help=step.says, icon=":material/arrow_forward:"
        ):
            go(step.stage)
    refused = st.session_state.pop("_refused", None)
    if refused:
        st.error(refused, icon=":material/error:")
    if job.status is Status.CLOSED:
        st.info("This job is closed. Open it again on Hand-over to change it.")


def seen_before(file: JobFile) -> None:
    """Say what was at fault on earlier boards of the type."""
    seen = shared.store().fault_history(file.job.board_type, without_job=file.job.id).sentence
    if file.job.board_type and seen:
        st.info(_plain(seen[0].upper() + seen[1:]), icon=":material/history:")


def _plain(text: str) -> str:
    """Return text that Markdown shows as it is."""
    return "".join(f"\\{c}" if c in r"\`*_{}[]()#+-!|<>$~:" else c for c in text)


def plain(text: str) -> str:
    """Return what somebody typed so that Markdown shows it as it is."""
    return _plain(text)


def table(rows: Sequence[Mapping[str, object]]) -> None:
    """Show rows in full: long cells wrap, and paper shows them as well."""
    st.table([{k: _plain(str(v)) for k, v in row.items()} for row in rows], hide_index=True)


def go(stage: Stage) -> None:
    """Show another page of the same job."""
    number = job_id()
    query = {} if number is None else {"job": str(number)}
    st.switch_page(st.session_state["_pages"][stage], query_params=query)


@contextmanager
def told() -> Iterator[None]:
    """Show what the bench refused in one line; the page stays."""
    try:
        yield
    except HotspotError as err:
        st.error(err.sentence, icon=":material/error:")


def acting(act: Callable[..., object], *args: Any) -> None:
    """Do what a button asks for; what the bench refuses is told on the page drawn after it.

    As ``on_click=shell.acting``: done before the page is drawn, so that no second drawing is
    needed, in which a click on another page would get lost.
    """
    try:
        act(*args)
    except HotspotError as err:
        st.session_state["_refused"] = err.sentence


def key(file: JobFile, name: str) -> str:
    """Return the widget key of a value that belongs to a job."""
    return f"job{file.job.id}.{name}"


def remember(file: JobFile, name: str, default: Any) -> dict[str, Any]:
    """Return the arguments of a widget whose value survives a reload.

    Use as ``st.text_input("Label", **remember(file, "name", ""))``.
    """
    widget = key(file, name)
    if widget not in st.session_state:
        kept = shared.drafts().load(file.job.id).get(name)
        good = type(kept) is type(default) or isinstance(default, type(None))
        st.session_state[widget] = kept if kept is not None and good else default

    def note() -> None:
        keep(file, name, st.session_state[widget])

    return {"key": widget, "on_change": note}


def keep(file: JobFile, name: str, value: Any) -> None:
    """Keep a value of a job on disk."""
    try:
        shared.drafts().save(file.job.id, name, value)
    except OSError as err:
        st.toast(f"Not kept on disk: {err.strerror}")


def kept(file: JobFile, name: str, default: Any = None) -> Any:
    """Return a kept value of a job."""
    return shared.drafts().load(file.job.id).get(name, default)


def forget(file: JobFile, *names: str) -> None:
    """Forget drafts that have been noted in the job."""
    for name in names:
        shared.drafts().save(file.job.id, name, None)
        st.session_state.pop(key(file, name), None)
