"""What the store takes and gives: plain values; rows of tables never leave it.

One class serves both ways: `id` and `at` are 0 and None until the store has written the entry.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any


class Status(StrEnum):
    """Where a job stands."""

    OPEN = "open"
    WAITING = "waiting"  # for a part or for the customer
    CLOSED = "closed"


class Outcome(StrEnum):
    """How a job ended."""

    REPAIRED = "repaired"
    NOT_REPAIRED = "not repaired"
    NO_FAULT = "no fault found"


class Phase(StrEnum):
    """Before or after the part came off."""

    BEFORE = "before"
    AFTER = "after"


class ActionKind(StrEnum):
    """What was done to a part."""

    REMOVED = "removed"
    REPLACED = "replaced"
    REFITTED = "refitted"  # was not the fault after all
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Job:
    """A job.

    Attributes
    ----------
    id
        Job number.
    customer
        The shop's own reference for the customer; no personal data needed.
    board_type
        Name of the board type; empty when not known.
    complaint
        What the customer or the bench says is wrong.
    status, outcome
        Where it stands and, once closed, how it ended.
    opened_at, closed_at
        UTC.
    version
        Counts the changes; an update must name the version it was made from.
    """

    id: int
    customer: str
    board_type: str
    complaint: str
    status: Status
    outcome: Outcome | None
    opened_at: datetime
    closed_at: datetime | None
    version: int


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file kept with a job, found again by its SHA-256."""

    name: str
    kind: str
    sha256: str
    size_bytes: int
    media_type: str = "application/octet-stream"
    phase: Phase = Phase.BEFORE
    recording_id: int | None = None
    finding_id: int | None = None
    id: int = 0
    at: datetime | None = None
    bench: str = ""


@dataclass(frozen=True, slots=True)
class TriageEntry:
    """A triage as plain data (see `hotspot.rails.triage.triage_to_dict`)."""

    verdict: str
    data: Mapping[str, Any]
    phase: Phase = Phase.BEFORE
    id: int = 0
    at: datetime | None = None
    bench: str = ""


@dataclass(frozen=True, slots=True)
class ReadingEntry:
    """A meter reading; `value` is None for over-range."""

    target: str
    mode: str
    text: str
    value: float | None
    polarity: str = "unknown"
    beep: bool = False
    lead_ohm: float = 0.0
    phase: Phase = Phase.BEFORE
    id: int = 0
    at: datetime | None = None
    bench: str = ""


@dataclass(frozen=True, slots=True)
class PlanEntry:
    """An injection plan as plain data (the JSON of ``hotspot plan``)."""

    rail: str
    data: Mapping[str, Any]
    id: int = 0
    at: datetime | None = None
    bench: str = ""


@dataclass(frozen=True, slots=True)
class RecordingEntry:
    """A recording: kept as attachments of the store, or left where it is (`uri`)."""

    name: str
    rail: str = ""
    uri: str = ""
    phase: Phase = Phase.BEFORE
    files: tuple[Attachment, ...] = ()
    id: int = 0
    at: datetime | None = None
    bench: str = ""


@dataclass(frozen=True, slots=True)
class FindingEntry:
    """A finding as plain data (the JSON of ``hotspot find``), by which version of the program."""

    verdict: str
    data: Mapping[str, Any]
    program: str = ""
    recording_id: int | None = None
    phase: Phase = Phase.BEFORE
    files: tuple[Attachment, ...] = ()
    id: int = 0
    at: datetime | None = None
    bench: str = ""

    @property
    def top_ref(self) -> str:
        """The most probable part, or an empty string."""
        suspects = self.data.get("suspects") or [{"ref": ""}]
        return str(suspects[0]["ref"])

    @property
    def named_ref(self) -> str:
        """The part that the evidence names, or an empty string; older evidence: the first one."""
        return str(self.data.get("named", self.top_ref))


@dataclass(frozen=True, slots=True)
class Action:
    """What was done: a part removed, replaced or refitted, or a note."""

    kind: ActionKind
    ref: str = ""
    note: str = ""
    id: int = 0
    at: datetime | None = None
    bench: str = ""


@dataclass(frozen=True, slots=True)
class VerificationEntry:
    """A verification as plain data (the JSON of ``hotspot verify``)."""

    verdict: str
    data: Mapping[str, Any]
    id: int = 0
    at: datetime | None = None
    bench: str = ""


Entry = (
    TriageEntry
    | ReadingEntry
    | PlanEntry
    | RecordingEntry
    | FindingEntry
    | Action
    | VerificationEntry
    | Attachment
)


@dataclass(frozen=True, slots=True)
class JobFile:
    """A job with everything that was noted in it, oldest first."""

    job: Job
    triages: tuple[TriageEntry, ...] = ()
    readings: tuple[ReadingEntry, ...] = ()
    plans: tuple[PlanEntry, ...] = ()
    recordings: tuple[RecordingEntry, ...] = ()
    findings: tuple[FindingEntry, ...] = ()
    actions: tuple[Action, ...] = ()
    verifications: tuple[VerificationEntry, ...] = ()
    attachments: tuple[Attachment, ...] = field(default=())
