from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from hotspot.app import shared


@pytest.fixture
def bench_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A job store of its own, and no camera left open."""
    monkeypatch.setenv("HOTSPOT_STORE", str(tmp_path / "jobs.db"))
    monkeypatch.delenv("HOTSPOT_FILES", raising=False)
    yield tmp_path
    desk = shared.desk()
    desk.take_over("test")
    desk.close("test")
