from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from hotspot.app import shared
from tests.app.browser import bench_server, chromium


@pytest.fixture
def bench_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A job store of its own, and no camera left open."""
    monkeypatch.setenv("HOTSPOT_STORE", str(tmp_path / "jobs.db"))
    monkeypatch.delenv("HOTSPOT_FILES", raising=False)
    yield tmp_path
    desk = shared.desk()
    desk.take_over("test")
    desk.close("test")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the server of a module's browser tests keeps its jobs."""
    return tmp_path_factory.mktemp("bench")


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    with bench_server(folder) as where:
        yield where


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as one:
        yield one


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    context = browser.new_context(viewport={"width": 1366, "height": 768})
    one = context.new_page()
    one.set_default_timeout(60_000)
    yield one
    if shots := os.environ.get("HOTSPOT_SHOTS"):  # to look at what a failing test saw last
        one.screenshot(path=f"{shots}/{time.time():.0f}.png")
    context.close()
