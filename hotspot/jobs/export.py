"""One job as a zip that general tools open."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

from hotspot.errors import InputError, StoreError
from hotspot.jobs.hand_over import write_report
from hotspot.jobs.kept import safe_name
from hotspot.store.archive import SUMS, ZIP_DAMAGE, ZipWithSums, check_size, check_sums
from hotspot.store.entries import Attachment, JobFile, ReadingEntry
from hotspot.store.jobs import JobStore


def job_to_dict(file: JobFile) -> dict[str, Any]:
    """Return a job with everything in it as plain data, the JSON of ``job show --json``."""
    plain: dict[str, Any] = json.loads(json.dumps(asdict(file), default=_plain, allow_nan=False))
    return {"format": 1, **plain}


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat()
    raise TypeError(f"cannot be written: {type(value)}")


def export_job(store: JobStore, job_id: int, path: Path) -> None:
    """Write ``job.json``, ``readings.csv``, ``report.pdf``, all files, and ``SHA256SUMS``.

    Raises
    ------
    hotspot.errors.StoreError
        If a file of the job is missing or altered, or the zip cannot be written.
    """
    file = store.job_file(job_id)
    try:
        with ZipWithSums(path) as out:
            text = json.dumps(job_to_dict(file), ensure_ascii=False, indent=1)
            out.write("job.json", text.encode() + b"\n")
            out.write("readings.csv", _readings_csv(file.readings).encode())
            out.write("report.pdf", write_report(store, job_id))
            for name, attachment in _names(file):
                out.write(name, store.blobs.pieces(attachment.sha256))
    except OSError as err:
        raise StoreError(f"cannot be written: {err.strerror}", where=str(path)) from err


def _names(file: JobFile) -> list[tuple[str, Attachment]]:
    named = []
    for recording in file.recordings:
        folder = f"recordings/{recording.id}-{_one_name(recording.name)}"
        named += [(f"{folder}/{safe_name(a.name)}", a) for a in recording.files]
    for finding in file.findings:
        named += [(f"findings/{finding.id}/{safe_name(a.name)}", a) for a in finding.files]
    for a in file.attachments:
        named.append((f"files/{a.id}/{safe_name(a.name)}", a))
    return named


def _one_name(text: str) -> str:
    return "".join(c if c.isalnum() or c in "-_." else "_" for c in text) or "recording"


def _readings_csv(readings: tuple[ReadingEntry, ...]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("phase", "target", "mode", "reading", "value", "polarity", "beep", "lead_ohm"))
    for r in readings:
        value = "OL" if r.value is None else r.value
        writer.writerow(
            (r.phase, r.target, r.mode, r.text, value, r.polarity, int(r.beep), r.lead_ohm)
        )
    return out.getvalue()


def check_export(path: Path) -> tuple[str, ...]:
    """Return what is wrong with an exported job or a backup, one sentence each.

    Raises
    ------
    hotspot.errors.InputError
        If it is no such zip.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            if SUMS not in archive.namelist():
                raise InputError(f"holds no {SUMS}", where=str(path), cure="Give an exported job")
            check_size(archive, path)
            return check_sums(archive)
    except ZIP_DAMAGE as err:
        raise InputError(f"cannot be read as a zip: {str(err)[:200]}", where=str(path)) from err
