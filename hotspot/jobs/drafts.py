"""What was typed but not yet noted in a job: kept on disk, so that a reload loses nothing."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

from hotspot.files.tables import save_text

_MOST_BYTES = 1_000_000


class Drafts:
    """Small values by job and name, one JSON file a job.

    Parameters
    ----------
    folder
        Made when needed.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = threading.Lock()

    def load(self, job_id: int) -> dict[str, Any]:
        """Return all drafts of a job; a file that cannot be read counts as none."""
        path = self._path(job_id)
        try:
            if path.stat().st_size > _MOST_BYTES:
                return {}
            data = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError):
            return {}
        return data if isinstance(data, dict) else {}

    def save(self, job_id: int, name: str, value: Any) -> None:
        """Keep a value; None forgets it.

        Raises
        ------
        OSError
            If the folder cannot be written.
        """
        with self._lock:
            data = self.load(job_id)
            if value is None:
                data.pop(name, None)
            else:
                data[name] = value
            self._folder.mkdir(parents=True, exist_ok=True)
            save_text(json.dumps(data, ensure_ascii=False), self._path(job_id))

    def _path(self, job_id: int) -> Path:
        return self._folder / f"{int(job_id)}.json"
