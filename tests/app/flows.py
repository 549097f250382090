"""What the browser tests do on many pages; everything waits for a condition, nothing for a time."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from hotspot.jobs.cold_picture import keep_cold
from hotspot.jobs.drafts import Drafts
from hotspot.jobs.practice_job import open_practice_job
from hotspot.store.entries import JobFile
from hotspot.store.jobs import open_store
from tests.app.browser import LIVE_CANVAS

SEED = 5
# A page on a busy machine of two cores; whoever waits this long waits for something that is broken.
PATIENCE_S = 60.0


def practice_job(folder: Path, *, seed: int = SEED) -> int:
    with open_store(str(folder / "jobs.db")) as store:
        return open_practice_job(store, Drafts(folder / "drafts"), seed=seed)


def open_landmarks(folder: Path, address: str, page: Any) -> int:
    """Open a practice job where its landmarks are clicked; return its number."""
    job = practice_job(folder)
    cold = np.random.default_rng(1).normal(25.0, 1.0, (120, 160)).astype(np.float32)
    keep_cold(folder / "drafts", job, cold)
    page.goto(f"{address}/board?job={job}")
    page.get_by_text("Landmarks", exact=True).click()
    page.get_by_text("Click landmark 1").wait_for()
    settled(page)
    return job


def job_file(folder: Path, job: int) -> JobFile:
    with open_store(str(folder / "jobs.db")) as store:
        return store.job_file(job)


def wait_until(page: Any, holds: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < deadline, f"it did not happen within {PATIENCE_S:.0f} s"
        page.wait_for_timeout(100)


def settled(page: Any) -> None:
    """Wait until the page's script has run: a file offered before it has is another one after."""
    page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for()


def enter(page: Any, label: str, text: str) -> None:
    """Type into a box and leave it; a box that the script still draws would forget it."""
    settled(page)
    box = page.get_by_role("textbox", name=label)
    box.fill(text)
    box.press("Tab")
    wait_until(page, lambda: box.input_value() == text)


def is_gone(page: Any, name: str) -> None:
    """Wait until no button of that name is left."""
    wait_until(page, lambda: page.get_by_role("button", name=name).count() == 0)


def is_disabled(page: Any, name: str) -> None:
    """Wait until a button is there and cannot be pressed."""
    page.locator("button:disabled", has_text=name).first.wait_for()


def press(page: Any, key: str) -> None:
    """Press a key once the page has been drawn: a button in the making does not hear it yet."""
    settled(page)
    page.keyboard.press(key)


def click(page: Any, name: str, *, exact: bool = False) -> None:
    page.get_by_role("button", name=name, exact=exact).first.click()


def open_camera(page: Any, address: str, job: int) -> None:
    page.goto(f"{address}/live?job={job}")
    click(page, "Open camera")
    page.get_by_text("new frames/s").wait_for()


def close_camera(page: Any) -> None:
    click(page, "Close camera")
    page.get_by_role("button", name="Open camera").wait_for()


def take_baseline(page: Any) -> None:
    """Press B and wait until the output may go on."""
    press(page, "b")
    page.get_by_text("COLD", exact=True).wait_for()
    page.locator("button:not([disabled])", has_text="Output on").or_(
        page.locator("button:not([disabled])", has_text="Run the plan")
    ).first.wait_for()


def shown_number(page: Any) -> int:
    return int(page.locator(LIVE_CANVAS).get_attribute("data-number") or 0)


def on_picture(page: Any, title: str, x: float, y: float) -> tuple[float, float]:
    """Return where on the screen pixel (x, y) of a picture is; pixel centres are whole numbers."""
    picture = page.get_by_alt_text(title)
    box = picture.bounding_box()
    width, height = picture.evaluate("e => [e.naturalWidth, e.naturalHeight]")
    return (
        box["x"] + (x + 0.5) * box["width"] / width,
        box["y"] + (y + 0.5) * box["height"] / height,
    )
