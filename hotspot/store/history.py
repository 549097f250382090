"""Failed parts by board type."""

from __future__ import annotations

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session, aliased

from hotspot.rails.history import FaultHistory
from hotspot.store import tables as t
from hotspot.store.entries import ActionKind, Outcome

_FAULT = (ActionKind.REMOVED.value, ActionKind.REPLACED.value)


def fault_history(session: Session, board_type: str) -> FaultHistory:
    """Return how often each part was the fault on repaired boards of this type.

    A part counts once a job, when it was removed or replaced and not refitted afterwards.
    """
    other = aliased(t.ActionRow)
    refitted = exists().where(
        other.job_id == t.ActionRow.job_id,
        other.kind == ActionKind.REFITTED.value,
        other.ref == t.ActionRow.ref,
        other.id > t.ActionRow.id,
    )
    boards = select(t.BoardTypeRow.id).where(t.BoardTypeRow.folded == board_type.casefold())
    pairs = (
        select(t.ActionRow.job_id, t.ActionRow.ref)
        .join(t.JobRow, t.JobRow.id == t.ActionRow.job_id)
        .where(
            t.JobRow.board_type_id.in_(boards),
            t.JobRow.outcome == Outcome.REPAIRED.value,
            t.ActionRow.kind.in_(_FAULT),
            t.ActionRow.ref != "",
            ~refitted,
        )
        .distinct()
        .subquery()
    )
    query = select(pairs.c.ref, func.count()).group_by(pairs.c.ref).order_by(pairs.c.ref)
    counts = {str(ref): int(n) for ref, n in session.execute(query)}
    jobs = session.scalar(select(func.count(pairs.c.job_id.distinct())))
    return FaultHistory(board_type, int(jobs or 0), counts)
