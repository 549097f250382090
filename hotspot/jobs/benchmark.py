"""How fast the store answers when it is full."""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from hotspot.errors import StoreError
from hotspot.store.bulk import fill
from hotspot.store.entries import Action, ActionKind, Job, Outcome, Status
from hotspot.store.jobs import JobStore, open_store

# Below a tenth of a second an answer feels immediate (Card, Moran, Newell 1983; from memory).
LIMIT_MS = 100.0
_REPEATS = 15
_BOARD_TYPES = 40


def measure_store(jobs: int, *, url: str | None = None) -> Iterator[tuple[str, float]]:
    """Fill an empty store with made-up jobs and yield (question, median time in ms)."""
    with (
        tempfile.TemporaryDirectory(prefix="hotspot-benchmark-") as folder,
        open_store(url or str(Path(folder) / "jobs.db")) as store,
    ):
        if store.count_jobs():
            raise StoreError("is not empty", where=store.where, cure="Name an empty store")
        fill(store, _made_up(jobs))
        for name, ask in _questions(store, jobs):
            yield name, _median_ms(ask)


def _made_up(jobs: int) -> Iterator[tuple[Job, tuple[Action, ...]]]:
    rng = np.random.default_rng(7)
    start = datetime(2024, 1, 1, tzinfo=UTC)
    # Few board types make most of a shop's work, and few parts most of a board's failures.
    board = rng.zipf(1.5, jobs) % _BOARD_TYPES
    part = rng.zipf(1.7, jobs) % 200
    for n in range(jobs):
        closed = n < jobs - 50
        at = start + timedelta(minutes=9 * n)
        job = Job(
            id=n + 1,
            customer=f"K-{n % 20_000:05d}",
            board_type=f"board type {board[n]}",
            complaint=f"does not start, drawer {n % 97}",
            status=Status.CLOSED if closed else Status.OPEN,
            outcome=Outcome.REPAIRED if closed and n % 10 else None,
            opened_at=at,
            closed_at=at + timedelta(days=1) if closed else None,
            version=1,
        )
        yield job, (Action(ActionKind.REMOVED, f"C{part[n]}", at=at),)


def _questions(store: JobStore, jobs: int) -> Iterator[tuple[str, Callable[[], object]]]:
    yield "list, newest 50", lambda: store.find_jobs()
    yield "list, page in the middle", lambda: store.find_jobs(before_id=jobs // 2)
    yield "list, open ones", lambda: store.find_jobs(status=Status.OPEN)
    yield "list, one board type", lambda: store.find_jobs(board_type="board type 1")
    yield "search, many hits", lambda: store.find_jobs("drawer 13")
    yield "search, one customer", lambda: store.find_jobs("k-00007")
    yield "search, no hit", lambda: store.find_jobs("no such word")
    yield "search, job number", lambda: store.find_jobs(str(jobs // 3))
    yield "show one job", lambda: store.job_file(jobs // 2)
    yield "history, common board", lambda: store.fault_history("board type 1")
    yield "history, rare board", lambda: store.fault_history("board type 37")


def _median_ms(ask: Callable[[], object]) -> float:
    times = []
    for _ in range(_REPEATS):
        start = time.perf_counter()
        ask()
        times.append(1e3 * (time.perf_counter() - start))
    return statistics.median(times)
