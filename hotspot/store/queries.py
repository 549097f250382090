"""Queries that more than one method of the store asks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session

from hotspot.errors import StoreError
from hotspot.store import tables as t
from hotspot.store.entries import (
    Action,
    Attachment,
    FindingEntry,
    Job,
    JobFile,
    PlanEntry,
    ReadingEntry,
    RecordingEntry,
    TriageEntry,
    VerificationEntry,
)
from hotspot.store.rows import to_entry, to_job

T = TypeVar("T")


def select_jobs() -> Any:
    """Return the query of all jobs with the two names they point at."""
    return (
        select(t.JobRow, t.CustomerRow.reference, t.BoardTypeRow.name)
        .join(t.CustomerRow, t.JobRow.customer_id == t.CustomerRow.id)
        .join(t.BoardTypeRow, t.JobRow.board_type_id == t.BoardTypeRow.id)
    )


def no_job(job_id: int, where: str) -> StoreError:
    """Return the error for a job number that does not exist."""
    return StoreError(f"there is no job {job_id}", where=where, cure="See 'hotspot job list'")


def read_job(session: Session, job_id: int, where: str) -> Job:
    """Return one job."""
    found = session.execute(select_jobs().where(t.JobRow.id == job_id)).first()
    if found is None:
        raise no_job(job_id, where)
    return to_job(*found)


def lock_job(session: Session, job_id: int, where: str) -> tuple[t.JobRow, str, str]:
    """Return the row of a job, locked until the transaction ends, and its two names."""
    query = select_jobs().where(t.JobRow.id == job_id).with_for_update(of=t.JobRow)
    found = session.execute(query).first()
    if found is None:
        raise no_job(job_id, where)
    return found[0], found[1], found[2]


def find_or_add(session: Session, table: type[Any], column: Any, name: str, **more: str) -> Any:
    """Return the row of that name, made if there is none."""
    row = session.scalars(select(table).where(column == name)).first()
    if row is None:
        row = table(**{column.key: name}, **more)
        session.add(row)
        session.flush()
    return row


def read_job_file(session: Session, job_id: int, where: str) -> JobFile:
    """Return a job with everything in it, oldest first."""
    job = read_job(session, job_id, where)

    def rows(kind: type[t.Base]) -> Sequence[Any]:
        table: Any = kind
        query = select(table).where(table.job_id == job_id).order_by(table.id)
        return session.scalars(query).all()

    def all_of(kind: type[T], table: type[t.Base]) -> tuple[T, ...]:
        return tuple(to_entry(row, kind) for row in rows(table))

    files = all_of(Attachment, t.AttachmentRow)
    recordings = tuple(
        to_entry(r, RecordingEntry, files=tuple(f for f in files if f.recording_id == r.id))
        for r in rows(t.RecordingRow)
    )
    findings = tuple(
        to_entry(r, FindingEntry, files=tuple(f for f in files if f.finding_id == r.id))
        for r in rows(t.FindingRow)
    )
    return JobFile(
        job,
        all_of(TriageEntry, t.TriageRow),
        all_of(ReadingEntry, t.ReadingRow),
        all_of(PlanEntry, t.PlanRow),
        recordings,
        findings,
        all_of(Action, t.ActionRow),
        all_of(VerificationEntry, t.VerificationRow),
        tuple(f for f in files if f.recording_id is None and f.finding_id is None),
    )
