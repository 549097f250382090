"""From a job to its hand-over report."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from hotspot.board import Board
from hotspot.evidence import words
from hotspot.evidence.report import HandOver, Picture, Sheet, build_report
from hotspot.finding import HOT_SPOT
from hotspot.jobs.intake import BOARD, EVIDENCE, PICTURE, job_readings
from hotspot.jobs.verify import job_board
from hotspot.rails.verdict import RailVerdict, judge_readings
from hotspot.store.entries import (
    Action,
    ActionKind,
    Attachment,
    FindingEntry,
    JobFile,
    Outcome,
    Phase,
)
from hotspot.store.history import faulty_parts
from hotspot.store.jobs import JobStore

METHOD_LIMITS = (
    "The thermal picture shows where the injected current turned into heat. A part under a shield, "
    "in the middle of the board or on the other side may not be seen.",
    "The probabilities hold among the parts that are on the part map; what is missing to 100 % is "
    "something else.",
    "A short that is gone does not say why the part failed: liquid, a fall or a charger may have "
    "harmed other parts too.",
    "Readings without a good board to compare with are judged by rules of thumb (common practice, "
    "no source).",
)
# Common practice, no source.
CUSTOMER_CAUTIONS = (
    "Stop using and charging the device, and bring it back, if it gets hot, smells or bulges.",
    "A lithium cell that was in a shorted device may be damaged: do not press, pierce or heat it.",
)
# A part this improbable is no news to a customer.
_LEAST_PROBABILITY = 0.01


def write_report(store: JobStore, job_id: int) -> bytes:
    """Return the hand-over report of a job as a PDF; same job, same bytes.

    Raises
    ------
    hotspot.errors.StoreError
        If there is no such job, or a kept picture is missing or altered.
    """
    file = store.job_file(job_id)
    return build_report(build_hand_over(file, store=store, board=job_board(store, file)))


def build_hand_over(file: JobFile, *, store: JobStore, board: Board | None = None) -> HandOver:
    """Return what the report of a job says."""
    job = file.job
    before, after = (
        judge_readings(job_readings(file, phase), board=board)
        for phase in (Phase.BEFORE, Phase.AFTER)
    )
    verification = file.verifications[-1] if file.verifications else None
    rails = dict.fromkeys([r.rail for r in file.recordings] + [p.rail for p in file.plans])
    detail = [e["says"] for e in verification.data.get("evidence", ())] if verification else []
    if verification is None:
        detail.append("The repair has not been verified.")
    return HandOver(
        title=f"Repair report, job {job.id}",
        facts=(
            ("Customer", job.customer),
            ("Board type", job.board_type),
            ("Complaint", job.complaint),
            ("Rail", ", ".join(r for r in rails if r)),
            ("Received", _day(job.opened_at)),
            ("Closed", _day(job.closed_at)),
        ),
        result=_result(file, verification.verdict if verification else ""),
        result_detail=tuple(detail),
        before=_pictures(store, file, Phase.BEFORE),
        after=_pictures(store, file, Phase.AFTER),
        sheets=(
            _readings(before, after),
            _actions(file.actions),
            *(_suspects(f.data) for f in _before(file)),
            _supply(file),
            _settings(file),
            _files(file),
        ),
        lists=(
            ("For the customer", CUSTOMER_CAUTIONS),
            ("Cautions on the bench", words.CAUTIONS),
            ("Limits of the method", METHOD_LIMITS),
        ),
        made_at=_last_moment(file),
    )


def _before(file: JobFile) -> list[FindingEntry]:
    """Return the finding that led to the part: the last one with a spot, from before."""
    found = [f for f in file.findings if f.phase is Phase.BEFORE]
    clear = [f for f in found if f.verdict == HOT_SPOT and f.data["suspects"]]
    return clear[-1:] or found[-1:]


def _result(file: JobFile, verdict: str) -> str:
    parts = ", ".join(faulty_parts(file.actions))
    replaced = {a.ref for a in file.actions if a.kind is ActionKind.REPLACED}
    done = f": {parts} {'replaced' if replaced else 'removed'}" if parts else ""
    outcome = file.job.outcome
    if outcome is Outcome.REPAIRED:
        checked = "" if verdict == "repaired" else " (not confirmed by measurement)"
        return f"Repaired{done}{checked}"
    if outcome is not None:
        return f"{outcome.value.capitalize()}{done}"
    return f"In work{done}" + (f"; verification: {verdict}" if verdict else "")


def _day(moment: datetime | None) -> str:
    return "" if moment is None else f"{moment:%Y-%m-%d %H:%M} UTC"


def _last_moment(file: JobFile) -> datetime:
    entries: Iterable[Any] = (
        *file.triages, *file.readings, *file.plans, *file.recordings, *file.findings,
        *file.actions, *file.verifications, *file.attachments,
    )  # fmt: skip
    moments: list[datetime] = [file.job.opened_at, *(e.at for e in entries if e.at is not None)]
    if file.job.closed_at:
        moments.append(file.job.closed_at)
    return max(moments)


def _pictures(store: JobStore, file: JobFile, phase: Phase) -> tuple[Picture, ...]:
    found: list[tuple[str, Attachment]] = []
    shown = [f for f in file.findings if f.phase is phase and f.files]
    for finding in shown[-1:]:
        found += [
            (f"Thermal finding: {finding.verdict}", a)
            for a in finding.files
            if a.kind == EVIDENCE and a.name == "evidence.png"
        ]
    found += [(a.name, a) for a in file.attachments if a.kind == PICTURE and a.phase is phase]
    return tuple(
        Picture(caption, store.blobs.read(a.sha256), wide=a.kind == EVIDENCE)
        for caption, a in found
    )


def _readings(before: Sequence[RailVerdict], after: Sequence[RailVerdict]) -> Sheet:
    targets = dict.fromkeys(v.target.casefold() for v in (*before, *after))
    rows = []
    for target in targets:
        pair = [
            next((v for v in side if v.target.casefold() == target), None)
            for side in (before, after)
        ]
        name = next(v.target for v in pair if v is not None)
        modes = dict.fromkeys(r.mode for v in pair if v for r in v.readings)
        for mode in modes:
            shown = [
                next((r.shown for r in reversed(v.readings) if r.mode is mode), "") if v else ""
                for v in pair
            ]
            verdict = " → ".join(str(v.verdict) for v in pair if v is not None)
            rows.append((name, str(mode), *shown, verdict))
    return Sheet("Readings to ground", ("Rail", "Mode", "Before", "After", "Verdict"), tuple(rows))


def _actions(actions: Sequence[Action]) -> Sheet:
    rows = tuple((_day(a.at), str(a.kind), a.ref, a.note) for a in actions)
    return Sheet("What was done", ("When", "What", "Part", "Note"), rows)


def _suspects(finding: dict[str, Any] | Any) -> Sheet:
    rows = [
        (s["ref"], words.percent(s["probability"]), s["why"])
        for s in finding["suspects"]
        if s["probability"] >= _LEAST_PROBABILITY
    ]
    rest = 1.0 - sum(s["probability"] for s in finding["suspects"])
    if rows:
        rows.append(("something else", words.percent(max(rest, 0.0)), ""))
    return Sheet("How the part was found", ("Part", "Probability", "Why"), tuple(rows))


def _supply(file: JobFile) -> Sheet:
    rows = tuple(
        (str(t.phase), t.verdict, "; ".join(r["says"] for r in t.data.get("reasons", ())[:1]))
        for t in file.triages
    )
    return Sheet("Current at the bench supply", ("When", "Verdict", "Why"), rows)


def _settings(file: JobFile) -> Sheet:
    rows: list[tuple[str, str]] = []
    for plan in file.plans:
        data = plan.data
        rows.append((f"Injection into {plan.rail or 'the rail'}", _plan_words(data)))
    for finding in file.findings:
        frames = finding.data.get("frames") or {}
        recording = finding.data.get("recording") or {}
        camera = recording.get("camera")
        name = recording.get("name") or f"recording {finding.recording_id or ''}".strip()
        text = f"{finding.verdict}; {frames.get('used', '?')} of {frames.get('total', '?')} frames"
        text += f"; camera {camera}" if camera else ""
        text += f"; {finding.program}" if finding.program else ""
        rows.append((f"{name} ({finding.phase})", text))
        for step in finding.data.get("steps") or ():
            settings = ", ".join(f"{k} {v}" for k, v in dict(step["settings"]).items())
            rows.append((f"– {step['name']}", settings))
    return Sheet("Settings used", ("Step", "Setting"), tuple(rows))


def _plan_words(data: Any) -> str:
    if data.get("refused"):
        return f"not proposed: {data['refused']}"
    parts = []
    if data.get("set_v") is not None:
        parts.append(f"{data['set_v']:g} V")
    if data.get("limit_a") is not None:
        parts.append(f"{data['limit_a']:g} A")
    if data.get("limited_by"):
        parts.append(f"limited by {data['limited_by']}")
    return ", ".join(parts)


def _files(file: JobFile) -> Sheet:
    rows = []
    for recording in file.recordings:
        listing = "".join(f"{a.sha256}  {a.name}\n" for a in recording.files)
        digest = hashlib.sha256(listing.encode()).hexdigest() if listing else recording.uri
        rows.append((f"{recording.name}: {len(recording.files)} files", digest))
    kept = [a for f in file.findings for a in f.files]
    kept += [a for a in file.attachments if a.kind != BOARD]
    rows += [(f"{a.name} ({a.phase})", a.sha256) for a in kept]
    return Sheet("Files kept", ("File", "SHA-256"), tuple(rows))
