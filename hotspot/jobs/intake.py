"""What comes into a job: readings, files, recordings, findings, turned into entries."""

from __future__ import annotations

import json
import math
import mimetypes
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from hotspot.errors import InputError
from hotspot.rails.reading import Mode, Polarity, Reading
from hotspot.store.entries import (
    Action,
    ActionKind,
    Attachment,
    FindingEntry,
    JobFile,
    Phase,
    ReadingEntry,
    RecordingEntry,
)
from hotspot.store.jobs import JobStore

BOARD = "board"
RECORDING = "recording"
EVIDENCE = "evidence"
PICTURE = "picture"
FILE = "file"
_MOST_JSON_BYTES = 16 << 20  # a finding with a hundred suspects takes 50 kB
_VERDICTS = ("hot spot", "no hot spot", "cannot tell")


def keep_file(
    store: JobStore, path: Path, *, name: str | None = None, kind: str = FILE, phase: Phase
) -> Attachment:
    """Put a file into the store and return the entry that points at it.

    Raises
    ------
    hotspot.errors.InputError
        If it is no readable file.
    """
    if not path.is_file():
        raise InputError("no such file", where=str(path), cure="Check the name")
    digest, size = store.blobs.put(path)
    media = mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    return Attachment(name or path.name, kind, digest, size, media, phase)


def keep_folder(
    store: JobStore, folder: Path, *, kind: str, phase: Phase
) -> tuple[Attachment, ...]:
    """Put every file of a folder into the store, named by its path within it."""
    if not folder.is_dir():
        raise InputError("no such folder", where=str(folder), cure="Check the name")
    paths = sorted(p for p in folder.rglob("*") if p.is_file() and not p.name.startswith("."))
    return tuple(
        keep_file(store, p, name=p.relative_to(folder).as_posix(), kind=kind, phase=phase)
        for p in paths
    )


def keep_recording(
    store: JobStore, folder: Path, *, phase: Phase, in_place: bool = False
) -> RecordingEntry:
    """Return the entry of a recording, copied into the store or left where it is.

    Raises
    ------
    hotspot.errors.RecordingError
        If the folder is no recording that can be used.
    """
    from hotspot.files.recordings import load_recording

    recording = load_recording(folder)
    kept = () if in_place else keep_folder(store, folder, kind=RECORDING, phase=phase)
    uri = str(folder.resolve()) if in_place else ""
    return RecordingEntry(recording.name, recording.rail or "", uri, phase, kept)


def read_json(path: Path, *, what: str) -> dict[str, Any]:
    """Return the JSON object in a file.

    Raises
    ------
    hotspot.errors.InputError
        If it cannot be read or holds no object.
    """
    try:
        if path.stat().st_size > _MOST_JSON_BYTES:
            raise InputError("is too large", where=str(path), cure=f"Give {what}")
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as err:
        raise InputError(f"cannot be read: {err.strerror}", where=str(path)) from err
    except (ValueError, RecursionError) as err:
        raise InputError(f"is no JSON: {err}", where=str(path), cure=f"Give {what}") from err
    if not isinstance(data, dict):
        raise InputError(f"holds no {what}", where=str(path), cure=f"Give {what}")
    return data


def read_finding(path: Path) -> dict[str, Any]:
    """Return the finding in a ``finding.json``, or in the evidence folder that holds one.

    Raises
    ------
    hotspot.errors.InputError
        If it is none.
    """
    file = path / "finding.json" if path.is_dir() else path
    data = read_json(file, what="the finding.json that 'hotspot find --out DIR' saves")
    lists = all(isinstance(data.get(key), list) for key in ("spots", "suspects"))
    if data.get("verdict") not in _VERDICTS or not lists:
        raise InputError(
            "holds no finding", where=str(file), cure="Give a finding.json of 'hotspot find --out'"
        )
    return data


def keep_finding(
    store: JobStore, path: Path, *, phase: Phase, recording_id: int | None = None
) -> FindingEntry:
    """Return the entry of a finding, with the evidence beside it when `path` is a folder."""
    data = read_finding(path)
    files = keep_folder(store, path, kind=EVIDENCE, phase=phase) if path.is_dir() else ()
    program = str(data.get("made_by", ""))
    return FindingEntry(str(data["verdict"]), data, program, recording_id, phase, files)


def reading_entries(readings: Iterable[Reading], phase: Phase) -> tuple[ReadingEntry, ...]:
    """Return readings as the store keeps them."""
    return tuple(
        ReadingEntry(
            target=r.target,
            mode=r.mode.value,
            text=r.text,
            value=None if math.isinf(r.value) else r.value,
            polarity=r.polarity.value,
            beep=r.beep,
            lead_ohm=r.lead_ohm,
            phase=phase,
        )
        for r in readings
    )


def job_readings(file: JobFile, phase: Phase) -> tuple[Reading, ...]:
    """Return the readings of a job, as the rails know them."""
    return tuple(
        Reading(
            target=e.target,
            mode=Mode(e.mode),
            value=math.inf if e.value is None else e.value,
            text=e.text,
            polarity=Polarity(e.polarity),
            beep=e.beep,
            lead_ohm=e.lead_ohm,
        )
        for e in file.readings
        if e.phase is phase
    )


def parse_action(text: str) -> Action:
    """Return the action in a text such as "removed C17" or "replaced C17 100 nF 0402".

    Raises
    ------
    hotspot.errors.InputError
        If it begins with no word that names an action.
    """
    word, _, rest = text.strip().partition(" ")
    ref, _, note = rest.strip().partition(" ")
    try:
        kind = ActionKind(word.casefold())
    except ValueError as err:
        raise InputError(
            f"cannot read the action {text.strip()!r}",
            cure="Write 'removed C17', 'replaced C17', 'refitted C17' or 'note TEXT'",
        ) from err
    if kind is ActionKind.NOTE:
        return Action(kind, "", rest.strip())
    if not ref:
        raise InputError(f"which part was {word}?", cure=f"Write '{word} C17'")
    return Action(kind, ref.upper(), note.strip())
