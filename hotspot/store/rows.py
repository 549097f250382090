"""Between rows and values: the only place that knows both."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields
from datetime import datetime
from enum import StrEnum
from typing import Any

from hotspot.errors import StoreError
from hotspot.store import entries as values
from hotspot.store import tables as t

# Which table keeps which value; the order is the one in which they must be written.
TABLES: dict[type[Any], type[t.Base]] = {
    values.TriageEntry: t.TriageRow,
    values.ReadingEntry: t.ReadingRow,
    values.PlanEntry: t.PlanRow,
    values.RecordingEntry: t.RecordingRow,
    values.FindingEntry: t.FindingRow,
    values.Action: t.ActionRow,
    values.VerificationEntry: t.VerificationRow,
    values.Attachment: t.AttachmentRow,
}
_ENUMS: dict[str, type[StrEnum]] = {"phase": values.Phase}


def to_row(entry: values.Entry, *, job_id: int, at: datetime, bench: str) -> t.Base:
    """Return the row of an entry that is to be written."""
    kept: dict[str, Any] = {
        f.name: storable(getattr(entry, f.name), name=f.name)
        for f in fields(entry)
        if f.name not in ("id", "at", "bench", "files")
    }
    if isinstance(entry, values.ReadingEntry) and entry.value is not None:
        kept["value"] = entry.value if math.isfinite(entry.value) else None
    return TABLES[type(entry)](**kept, job_id=job_id, at=entry.at or at, bench=entry.bench or bench)


def to_entry(row: t.Base, kind: type[Any], **more: Any) -> Any:
    """Return the value of a row."""
    kept = {f.name: getattr(row, f.name) for f in fields(kind) if f.name != "files"}
    for name, enum in _ENUMS.items():
        if name in kept:
            kept[name] = enum(kept[name])
    if kind is values.Action:
        kept["kind"] = values.ActionKind(kept["kind"])
    return kind(**kept, **more)


def to_job(row: t.JobRow, customer: str, board_type: str) -> values.Job:
    """Return the job of a row and the two names it points at."""
    return values.Job(
        id=row.id,
        customer=customer,
        board_type=board_type,
        complaint=row.complaint,
        status=values.Status(row.status),
        outcome=None if row.outcome is None else values.Outcome(row.outcome),
        opened_at=row.opened_at,
        closed_at=row.closed_at,
        version=row.version,
    )


def storable(value: Any, *, name: str) -> Any:
    """Return `value` as every database can keep it.

    JSON knows no infinity and no NaN: they become null. Text must not hold the NUL sign.

    Raises
    ------
    hotspot.errors.StoreError
        For text with a NUL sign or half a Unicode character.
    """
    if isinstance(value, StrEnum):
        return str(value)
    if isinstance(value, str):
        if "\0" in value or any("\ud800" <= c <= "\udfff" for c in value):
            raise StoreError("holds a sign that cannot be kept", where=name, cure="Type it again")
        return value
    if isinstance(value, Mapping):
        return {str(k): storable(v, name=name) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [storable(v, name=name) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
