"""The job store: values in, values out."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from typing import TypeVar

from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from hotspot.errors import StoreError
from hotspot.rails.history import FaultHistory
from hotspot.store import tables as t
from hotspot.store.engine import (
    default_url,
    open_engine,
    parse_url,
    shown_url,
    told_plainly,
)
from hotspot.store.entries import (
    Entry,
    Job,
    JobFile,
    Outcome,
    RecordingEntry,
    Status,
)
from hotspot.store.filing import Filing
from hotspot.store.history import board_type_ids, fault_history, note_faults
from hotspot.store.migrate import bring_up_to_date
from hotspot.store.queries import (
    find_or_add,
    lock_job,
    read_job,
    read_job_file,
    select_jobs,
)
from hotspot.store.rows import storable, to_job, to_row

T = TypeVar("T")


class JobStore(Filing):
    """Jobs in one database, files in one folder or object store. Use `open_store`."""

    def __init__(
        self,
        engine: Engine,
        *,
        where: str,
        files_url: str | None,
        clock: Callable[[], datetime],
        bench: str,
    ) -> None:
        super().__init__(engine, where=where, files_url=files_url)
        self._clock = clock
        self._bench = bench

    # Jobs ------------------------------------------------------------------------------------

    def new_job(self, *, customer: str, board_type: str = "", complaint: str = "") -> Job:
        """Open a job and return it; it is on disk when this returns.

        Raises
        ------
        ValueError
            If the customer reference is empty.
        hotspot.errors.StoreError
            If it cannot be written.
        """
        if not customer.strip():
            raise ValueError("customer must not be empty")
        names = [storable(n.strip(), name="job") for n in (customer, board_type, complaint)]

        def write(session: Session) -> Job:
            owner = find_or_add(session, t.CustomerRow, t.CustomerRow.reference, names[0])
            board = find_or_add(
                session, t.BoardTypeRow, t.BoardTypeRow.name, names[1], folded=names[1].casefold()
            )
            row = t.JobRow(
                customer_id=owner.id,
                board_type_id=board.id,
                complaint=names[2],
                status=Status.OPEN.value,
                outcome=None,
                opened_at=self._clock(),
                closed_at=None,
                search_text="\n".join(names).casefold(),
            )
            session.add(row)
            session.flush()
            return to_job(row, names[0], names[1])

        return self.write(write)

    def job(self, job_id: int) -> Job:
        """Return one job.

        Raises
        ------
        hotspot.errors.StoreError
            If there is none of that number.
        """
        with self.read() as session:
            return read_job(session, job_id, self.where)

    def find_jobs(
        self,
        text: str = "",
        *,
        status: Status | None = None,
        board_type: str | None = None,
        limit: int = 50,
        before_id: int | None = None,
    ) -> tuple[Job, ...]:
        """Return jobs, newest first (a job of the number asked for before all).

        Parameters
        ----------
        text
            Part of customer reference, board type or complaint, letter case ignored; or a job
            number.
        status, board_type
            Only these.
        limit
            At most this many.
        before_id
            Only older than this job: the next page.
        """
        query = select_jobs().limit(limit)
        if text.strip():
            words = text.strip().casefold()
            found = t.JobRow.search_text.contains(words, autoescape=True)
            # Nine digits fit every database's integer; longer ones are no job number.
            number = int(words) if words.isascii() and words.isdigit() and len(words) < 10 else None
            if number is None:
                query = query.where(found)
            else:  # the job of that number first
                query = query.where(found | (t.JobRow.id == number))
                query = query.order_by(t.JobRow.id != number)
        query = query.order_by(t.JobRow.id.desc())
        if status is not None:
            query = query.where(t.JobRow.status == status.value)
        if before_id is not None:
            query = query.where(t.JobRow.id < before_id)
        with self.read() as session:
            if board_type is not None:
                ids = board_type_ids(session, board_type)
                query = query.where(t.JobRow.board_type_id.in_(ids))
            return tuple(to_job(*row) for row in session.execute(query))

    def count_jobs(self) -> int:
        """Return how many jobs there are."""
        with self.read() as session:
            return int(session.scalar(select(func.count()).select_from(t.JobRow)) or 0)

    def update_job(
        self,
        job_id: int,
        *,
        version: int,
        status: Status | None = None,
        outcome: Outcome | None = None,
        complaint: str | None = None,
    ) -> Job:
        """Change a job that was read at `version`, and return it as it is now.

        Raises
        ------
        hotspot.errors.StoreError
            If another bench changed it since, or there is no such job.
        """

        def write(session: Session) -> Job:
            row, customer, board_type = lock_job(session, job_id, self.where)
            if row.version != version:
                raise StoreError(
                    f"job {job_id} was changed by another bench meanwhile "
                    f"(version {row.version}, yours is {version})",
                    where=self.where,
                    cure=f"Look at it with 'hotspot job show {job_id}' and repeat the change",
                )
            if status is not None:
                row.status = status.value
                closed = status is Status.CLOSED
                row.closed_at = self._clock() if closed else None
                row.outcome = (outcome.value if outcome else row.outcome) if closed else None
                note_faults(session, row)
            if complaint is not None:
                row.complaint = storable(complaint, name="complaint")
                row.search_text = "\n".join((customer, board_type, row.complaint)).casefold()
            session.flush()
            return to_job(row, customer, board_type)

        return self.write(write)

    # What is in a job ------------------------------------------------------------------------

    def add(
        self, job_id: int, entries: Sequence[Entry], *, also_closed: bool = False
    ) -> tuple[int, ...]:
        """Write entries into a job, all or none, and return their numbers.

        `also_closed` is for what changes nothing of a closed job's story: a finding made again.

        Raises
        ------
        hotspot.errors.StoreError
            If the job is closed or not there, or the entries cannot be written.
        """

        def write(session: Session) -> tuple[int, ...]:
            # The parent is locked first: PostgreSQL deadlocks in the other order.
            row, _, _ = lock_job(session, job_id, self.where)
            if row.status == Status.CLOSED.value and not also_closed:
                raise StoreError(
                    f"job {job_id} is closed",
                    where=self.where,
                    cure=f"Open it again first: hotspot job reopen {job_id}",
                )
            numbers = []
            for entry in entries:
                made = self._row(entry, job_id)
                session.add(made)
                session.flush()
                numbers.append(int(made.id))  # type: ignore[attr-defined]
                for file in getattr(entry, "files", ()):
                    owner = "recording_id" if isinstance(entry, RecordingEntry) else "finding_id"
                    session.add(self._row(replace(file, **{owner: numbers[-1]}), job_id))
            return tuple(numbers)

        return self.write(write)

    def _row(self, entry: Entry, job_id: int) -> t.Base:
        return to_row(entry, job_id=job_id, at=self._clock(), bench=self._bench)

    def job_file(self, job_id: int) -> JobFile:
        """Return a job with everything in it.

        Raises
        ------
        hotspot.errors.StoreError
            If there is none of that number.
        """
        with self.read() as session:
            return read_job_file(session, job_id, self.where)

    def fault_history(self, board_type: str, *, without_job: int | None = None) -> FaultHistory:
        """Return how often each part was the fault on repaired boards of this type."""
        with self.read() as session:
            return fault_history(session, board_type, without_job=without_job)

    def recorded_jobs(self) -> tuple[int, ...]:
        """Return the numbers of all jobs that hold a recording, oldest first."""
        with self.read() as session:
            query = select(t.RecordingRow.job_id).distinct().order_by(t.RecordingRow.job_id)
            return tuple(session.scalars(query))


@contextmanager
def open_store(
    url: str | None = None,
    *,
    files_url: str | None = None,
    clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    bench: str = "",
) -> Iterator[JobStore]:
    """Open the job store, made or brought up to date if need be.

    Parameters
    ----------
    url
        ``sqlite:///FILE``, a plain path, or ``postgresql://…``; None: HOTSPOT_STORE, else a file
        in the user's data folder.
    files_url
        Folder or object store for recordings and pictures; None: HOTSPOT_FILES, else as the store
        remembers, else beside the SQLite file.
    clock
        Gives the time, with its zone.
    bench
        Name of this bench, noted with every entry.

    Raises
    ------
    hotspot.errors.StoreError
        If it cannot be opened.
    """
    parsed = parse_url(url or default_url())
    files = files_url or os.environ.get("HOTSPOT_FILES", "").strip() or None
    engine = open_engine(parsed)
    try:
        with told_plainly(parsed):
            bring_up_to_date(engine, where=shown_url(parsed))
        yield JobStore(engine, where=shown_url(parsed), files_url=files, clock=clock, bench=bench)
    finally:
        engine.dispose()
