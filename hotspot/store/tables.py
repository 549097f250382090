"""The tables; a change here needs a migration in `migrations/versions`."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    DateTime,
    Dialect,
    ForeignKey,
    Index,
    MetaData,
    String,
    Text,
    TypeDecorator,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

# Named constraints, so that a later migration can find them on every database.
NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}


class Utc(TypeDecorator[datetime]):
    """A time with its zone in, UTC out; SQLite keeps no zones."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Return `value` in UTC."""
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Return `value` marked as UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    """Base of all tables."""

    metadata = MetaData(naming_convention=NAMES)
    type_annotation_map = {datetime: Utc, dict[str, Any]: JSON, str: String}  # noqa: RUF012


class SettingRow(Base):
    """A setting of the store itself, such as where its files are."""

    __tablename__ = "settings"
    name: Mapped[str] = mapped_column(primary_key=True)
    value: Mapped[str] = mapped_column(Text)


class CustomerRow(Base):
    """The shop's own reference for a customer."""

    __tablename__ = "customers"
    id: Mapped[int] = mapped_column(primary_key=True)
    reference: Mapped[str] = mapped_column(unique=True)


class BoardTypeRow(Base):
    """A board type by name."""

    __tablename__ = "board_types"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)
    folded: Mapped[str] = mapped_column(index=True)  # letter case folded, for looking up


class JobRow(Base):
    """A job."""

    __tablename__ = "jobs"
    id: Mapped[int] = mapped_column(primary_key=True)
    customer_id: Mapped[int] = mapped_column(ForeignKey("customers.id"), index=True)
    board_type_id: Mapped[int] = mapped_column(ForeignKey("board_types.id"))
    complaint: Mapped[str] = mapped_column(Text)
    status: Mapped[str]
    outcome: Mapped[str | None]
    opened_at: Mapped[datetime]
    closed_at: Mapped[datetime | None]
    # Customer, board type and complaint, letter case folded: one column to search in.
    search_text: Mapped[str] = mapped_column(Text)
    version: Mapped[int] = mapped_column()
    __mapper_args__ = {"version_id_col": version}  # noqa: RUF012
    __table_args__ = (
        Index("ix_jobs_status_id", "status", "id"),
        Index("ix_jobs_board_type_id_id", "board_type_id", "id"),
    )


class FaultRow(Base):
    """A part that was the fault of a repaired job: made on closing it, for the history."""

    __tablename__ = "faults"
    job_id: Mapped[int] = mapped_column(
        ForeignKey("jobs.id", ondelete="CASCADE"), primary_key=True, autoincrement=False
    )
    ref: Mapped[str] = mapped_column(primary_key=True)
    board_type_id: Mapped[int] = mapped_column(ForeignKey("board_types.id"))
    # Everything the history asks for, so that it is answered from the index alone.
    __table_args__ = (
        Index("ix_faults_board_type_id_ref_job_id", "board_type_id", "ref", "job_id"),
    )


class InJob:
    """What every entry of a job has."""

    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id", ondelete="CASCADE"), index=True)
    at: Mapped[datetime]
    bench: Mapped[str]


class TriageRow(InJob, Base):
    """A triage."""

    __tablename__ = "triages"
    verdict: Mapped[str]
    data: Mapped[dict[str, Any]]
    phase: Mapped[str]


class ReadingRow(InJob, Base):
    """A meter reading; no value means over-range."""

    __tablename__ = "readings"
    target: Mapped[str]
    mode: Mapped[str]
    text: Mapped[str]
    value: Mapped[float | None]
    polarity: Mapped[str]
    beep: Mapped[bool]
    lead_ohm: Mapped[float]
    phase: Mapped[str]


class PlanRow(InJob, Base):
    """An injection plan."""

    __tablename__ = "plans"
    rail: Mapped[str]
    data: Mapped[dict[str, Any]]


class RecordingRow(InJob, Base):
    """A recording."""

    __tablename__ = "recordings"
    name: Mapped[str]
    rail: Mapped[str]
    uri: Mapped[str] = mapped_column(Text)
    phase: Mapped[str]


class FindingRow(InJob, Base):
    """A finding."""

    __tablename__ = "findings"
    recording_id: Mapped[int | None] = mapped_column(ForeignKey("recordings.id"), index=True)
    verdict: Mapped[str]
    data: Mapped[dict[str, Any]]
    program: Mapped[str]
    phase: Mapped[str]


class ActionRow(InJob, Base):
    """What was done to a part."""

    __tablename__ = "actions"
    kind: Mapped[str]
    ref: Mapped[str]
    note: Mapped[str] = mapped_column(Text)


class VerificationRow(InJob, Base):
    """A verification."""

    __tablename__ = "verifications"
    verdict: Mapped[str]
    data: Mapped[dict[str, Any]]


class AttachmentRow(InJob, Base):
    """A file kept with a job."""

    __tablename__ = "attachments"
    recording_id: Mapped[int | None] = mapped_column(ForeignKey("recordings.id"), index=True)
    finding_id: Mapped[int | None] = mapped_column(ForeignKey("findings.id"), index=True)
    name: Mapped[str]
    kind: Mapped[str]
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    size_bytes: Mapped[int] = mapped_column(BigInteger)
    media_type: Mapped[str]
    phase: Mapped[str]
