"""Many jobs at once, for benchmarks and for taking over another shop's list."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import insert

from hotspot.store import tables as t
from hotspot.store.engine import told_plainly
from hotspot.store.entries import Action, Job, Outcome
from hotspot.store.history import faulty_parts
from hotspot.store.jobs import JobStore

_ROWS_AT_ONCE = 5000


def fill(store: JobStore, jobs: Iterable[tuple[Job, tuple[Action, ...]]]) -> None:
    """Write jobs with their numbers and actions into an empty store, all or none."""
    names: dict[type[Any], dict[str, int]] = {t.CustomerRow: {}, t.BoardTypeRow: {}}
    job_rows: list[dict[str, Any]] = []
    action_rows: list[dict[str, Any]] = []

    fault_rows: list[dict[str, Any]] = []

    def number(table: type[Any], name: str) -> int:
        return names[table].setdefault(name, len(names[table]) + 1)

    for job, actions in jobs:
        job_rows.append(
            {
                "id": job.id,
                "customer_id": number(t.CustomerRow, job.customer),
                "board_type_id": number(t.BoardTypeRow, job.board_type),
                "complaint": job.complaint,
                "status": job.status.value,
                "outcome": None if job.outcome is None else job.outcome.value,
                "opened_at": job.opened_at,
                "closed_at": job.closed_at,
                "search_text": "\n".join((job.customer, job.board_type, job.complaint)).casefold(),
                "version": 1,
            }
        )
        if job.outcome is Outcome.REPAIRED:
            board = number(t.BoardTypeRow, job.board_type)
            fault_rows += [
                {"job_id": job.id, "ref": ref, "board_type_id": board}
                for ref in faulty_parts(actions)
            ]
        action_rows += [
            {
                "job_id": job.id,
                "at": a.at or job.opened_at,
                "bench": a.bench,
                "kind": a.kind.value,
                "ref": a.ref,
                "note": a.note,
            }
            for a in actions
        ]
    customers = [{"id": n, "reference": x} for x, n in names[t.CustomerRow].items()]
    boards = [
        {"id": n, "name": x, "folded": x.casefold()} for x, n in names[t.BoardTypeRow].items()
    ]
    with told_plainly(store.engine.url), store.writing.begin() as connection:
        for table, rows in (
            (t.CustomerRow, customers),
            (t.BoardTypeRow, boards),
            (t.JobRow, job_rows),
            (t.ActionRow, action_rows),
            (t.FaultRow, fault_rows),
        ):
            for first in range(0, len(rows), _ROWS_AT_ONCE):
                connection.execute(insert(table), rows[first : first + _ROWS_AT_ONCE])
