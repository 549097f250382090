"""Hold a file against the hashes kept in a job."""

from __future__ import annotations

from pathlib import Path

from hotspot.errors import InputError
from hotspot.store.blobs import measure_sha256
from hotspot.store.entries import JobFile


def find_in_job(file: JobFile, path: Path) -> tuple[bool, str]:
    """Return whether every file of `path` is kept in the job, and that in a sentence."""
    kept = {a.sha256: a.name for f in file.findings for a in f.files}
    kept |= {a.sha256: a.name for r in file.recordings for a in r.files}
    kept |= {a.sha256: a.name for a in file.attachments}
    if not path.exists():
        raise InputError("no such file", where=str(path), cure="Check the name")
    paths = sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
    unknown = [p.name for p in paths if measure_sha256(p) not in kept]
    if unknown:
        says = f"not as kept in job {file.job.id}: {', '.join(unknown[:5])}"
        return False, says
    return True, f"as kept in job {file.job.id}, byte for byte"
