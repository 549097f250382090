"""Failed parts by board type."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import ColumnElement, delete, func, select
from sqlalchemy.orm import Session

from hotspot.rails.history import FaultHistory
from hotspot.store import tables as t
from hotspot.store.entries import Action, ActionKind, Outcome
from hotspot.store.rows import to_entry


def faulty_parts(actions: Sequence[Action]) -> tuple[str, ...]:
    """Return the parts that came off or were replaced and were not refitted, in order."""
    refs: dict[str, None] = {}
    for action in actions:
        if action.kind in (ActionKind.REMOVED, ActionKind.REPLACED) and action.ref:
            refs[action.ref] = None
        elif action.kind is ActionKind.REFITTED:
            refs.pop(action.ref, None)
    return tuple(refs)


def note_faults(session: Session, job: t.JobRow) -> None:
    """Note which parts were the fault of a job that closes, forget them when it opens again."""
    session.execute(delete(t.FaultRow).where(t.FaultRow.job_id == job.id))
    if job.outcome != Outcome.REPAIRED.value:
        return
    query = select(t.ActionRow).where(t.ActionRow.job_id == job.id).order_by(t.ActionRow.id)
    actions = [to_entry(row, Action) for row in session.scalars(query)]
    session.add_all(
        t.FaultRow(job_id=job.id, ref=ref, board_type_id=job.board_type_id)
        for ref in faulty_parts(actions)
    )


def board_type_ids(session: Session, name: str) -> tuple[int, ...]:
    """Return the numbers of the board types of that name, letter case ignored."""
    query = select(t.BoardTypeRow.id).where(t.BoardTypeRow.folded == name.casefold())
    return tuple(session.scalars(query))


def fault_history(
    session: Session, board_type: str, *, without_job: int | None = None
) -> FaultHistory:
    """Return how often each part was the fault on repaired boards of this type.

    A part counts once a job. `without_job` leaves one job out: a board is no evidence about
    itself.
    """
    boards = board_type_ids(session, board_type)
    if not boards:
        return FaultHistory(board_type, 0)
    wanted: list[ColumnElement[bool]] = [t.FaultRow.board_type_id.in_(boards)]
    if without_job is not None:
        wanted.append(t.FaultRow.job_id != without_job)
    query = select(t.FaultRow.ref, func.count()).where(*wanted).group_by(t.FaultRow.ref)
    counts = {str(ref): int(n) for ref, n in session.execute(query.order_by(t.FaultRow.ref))}
    jobs = session.scalar(select(func.count(t.FaultRow.job_id.distinct())).where(*wanted))
    return FaultHistory(board_type, int(jobs or 0), counts)
