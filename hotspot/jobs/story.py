"""A job told in lines, for the terminal."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from hotspot.jobs.intake import BOARD
from hotspot.store.entries import JobFile


def job_lines(file: JobFile, seen: str = "") -> list[str]:
    """Return a job as lines: who and what, then everything noted, in order of time."""
    job = file.job
    lines = [f"job {job.id} ({job.status}{', ' + job.outcome if job.outcome else ''}), "
             f"customer {job.customer}, {job.board_type or 'board type not noted'}"]  # fmt: skip
    lines += [text for text in (job.complaint, seen) if text]
    moments: list[tuple[datetime, str]] = []

    def note(entry: Any, text: str) -> None:
        moments.append((entry.at, text))

    for t in file.triages:
        note(t, f"supply current ({t.phase}): {t.verdict}")
    for r in file.readings:
        note(r, f"reading ({r.phase}): {r.target} {r.text} in {r.mode} mode")
    for p in file.plans:
        note(p, f"plan {p.rail}: {p.data.get('set_v')} V, {p.data.get('limit_a')} A")
    for rec in file.recordings:
        note(rec, f"recording {rec.id} ({rec.phase}): {rec.name}, {rec.uri or len(rec.files)}")
    for f in file.findings:
        note(f, f"finding ({f.phase}): {f.verdict} {f.named_ref}".rstrip())
    for a in file.actions:
        note(a, f"{a.kind} {a.ref} {a.note}".replace("  ", " ").rstrip())
    for v in file.verifications:
        note(v, f"verification: {v.verdict}")
    for at in file.attachments:
        if at.kind != BOARD:
            note(at, f"{at.kind} ({at.phase}): {at.name}")
    moments.sort(key=lambda m: m[0])
    return lines + [f"  {at:%Y-%m-%d %H:%M}  {text}" for at, text in moments]
