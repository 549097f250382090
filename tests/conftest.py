"""What holds for all tests: with HOTSPOT_REQUIRE_ALL=1, browser and PostgreSQL tests must run.

A real browser on a busy machine now and then answers later than any reasonable wait: a browser test
that fails is tried once more, and the summary says so. What is broken fails twice.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Generator, Iterator

import pytest

MUST_RUN = ("browser", "postgres")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Give browser tests their second try."""
    for item in items:
        if item.get_closest_marker("browser"):
            item.add_marker(pytest.mark.flaky(reruns=1, reruns_delay=2))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    required = os.environ.get("HOTSPOT_REQUIRE_ALL") == "1"
    marked = any(item.get_closest_marker(name) for name in MUST_RUN)
    if required and marked and report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped where it must run: {reason}"
    return report


@pytest.fixture(autouse=True)
def _own_main_module() -> Iterator[None]:
    """Give `__main__` back: a page under test puts itself there, and worker processes started
    later would run it as their own."""
    main = sys.modules["__main__"]
    yield
    sys.modules["__main__"] = main
