"""Whether the store is whole: every file is read and compared with its hash."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy import select, text

from hotspot.errors import StoreError
from hotspot.store import tables as t
from hotspot.store.jobs import JobStore


@dataclass(frozen=True, slots=True)
class StoreCheck:
    """What was looked at, and what is wrong with it, one sentence each."""

    jobs: int
    files: int
    problems: tuple[str, ...]


def check_store(
    store: JobStore,
    *,
    job_id: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> StoreCheck:
    """Check the database itself and the hash of every file of one job or of all."""
    problems = []
    with store.read() as session:
        if store.engine.dialect.name == "sqlite" and job_id is None:
            for row in session.execute(text("PRAGMA integrity_check")):
                if row[0] != "ok":
                    problems.append(f"database: {row[0]}")
            for row in session.execute(text("PRAGMA foreign_key_check")):
                problems.append(f"database: table {row[0]}, row {row[1]} points at nothing")
        a = t.AttachmentRow
        query = select(a.job_id, a.name, a.sha256, a.size_bytes).order_by(a.job_id, a.id)
        if job_id is not None:
            store.job(job_id)
            query = query.where(a.job_id == job_id)
        kept = session.execute(query).all()
    seen: dict[str, str] = {}
    for n, (owner, name, digest, size) in enumerate(kept, 1):
        if digest not in seen:
            try:
                seen[digest] = store.blobs.problem(digest, size)
            except StoreError as error:
                seen[digest] = error.what
        if seen[digest]:
            problems.append(f"job {owner}: {name} {seen[digest]}")
        if progress:
            progress(n, len(kept))
    jobs = 1 if job_id is not None else store.count_jobs()
    return StoreCheck(jobs, len(kept), tuple(problems))
