"""Analyses that go on while the page is left, reloaded or closed."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

from hotspot.errors import HotspotError
from hotspot.jobs.find_for_job import find_for_job
from hotspot.store.entries import Phase
from hotspot.store.jobs import JobStore


class Work(threading.Thread):
    """One recording being analysed for a job.

    Parameters
    ----------
    store, job_id, folder, phase
        As for `hotspot.jobs.find_for_job.find_for_job`.
    """

    def __init__(self, store: JobStore, job_id: int, folder: Path, *, phase: Phase) -> None:
        super().__init__(name="full analysis", daemon=True)
        self.folder = folder
        self.share = 0.0
        self.doing = "Reading the recording"
        self.problem = ""
        self._run_it: Callable[[], object] = lambda: find_for_job(
            store, job_id, folder, phase=phase, progress=self._tell
        )

    def run(self) -> None:
        """Analyse; what the bench refuses becomes `problem`."""
        try:
            self._run_it()
        except HotspotError as err:
            self.problem = err.sentence
        except Exception as err:  # a thread that dies in silence would look like endless work
            self.problem = f"The analysis broke off ({type(err).__name__}); the recording is kept"
            raise

    def _tell(self, share: float, what: str) -> None:
        self.share, self.doing = min(max(share, 0.0), 1.0), what.capitalize()


class Works:
    """The latest analysis of each job."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._works: dict[tuple[str, int], Work] = {}

    def start(self, store: JobStore, job_id: int, folder: Path, *, phase: Phase) -> Work:
        """Start an analysis; one that runs for the job already is left to end and returned."""
        with self._lock:
            running = self._works.get((store.where, job_id))
            if running is not None and running.is_alive():
                return running
            work = Work(store, job_id, folder, phase=phase)
            self._works[store.where, job_id] = work
            work.start()
            return work

    def of(self, store: JobStore, job_id: int) -> Work | None:
        """Return the latest analysis of a job since the program began, None without one."""
        with self._lock:
            return self._works.get((store.where, job_id))
