"""Pictures to click on, worked by two fingers and by keys alone, in a real Chromium."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hotspot.jobs.drafts import Drafts
from tests.app.flows import on_picture, open_landmarks, wait_until

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]
TITLE = "Thermal picture"


@pytest.fixture
def touch_page(browser: Any) -> Iterator[Any]:
    context = browser.new_context(viewport={"width": 1366, "height": 768}, has_touch=True)
    one = context.new_page()
    one.set_default_timeout(60_000)
    yield one
    context.close()


def kept(folder: Path, job: int) -> list[list[float]]:
    points: list[list[float]] = Drafts(folder / "drafts").load(job).get("marks_thermal", [])
    return points


def width(page: Any) -> float:
    return float(page.get_by_alt_text(TITLE).bounding_box()["width"])


def test_two_fingers_zoom_and_move_and_set_no_mark(
    folder: Path, address: str, touch_page: Any
) -> None:
    page = touch_page
    job = open_landmarks(folder, address, page)
    fingers = page.context.new_cdp_session(page)

    def touch(kind: str, *points: tuple[float, float]) -> None:
        places = [{"x": x, "y": y, "id": n} for n, (x, y) in enumerate(points)]
        fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": places})

    before = width(page)
    x, y = on_picture(page, TITLE, 80, 60)
    touch("touchStart", (x - 30, y))
    touch("touchStart", (x - 30, y), (x + 30, y))
    for k in range(1, 7):  # from 60 px apart to 180: three times
        touch("touchMove", (x - 30 - 10 * k, y), (x + 30 + 10 * k, y))
    wait_until(page, lambda: abs(width(page) / before - 3.0) < 0.05)
    # What lay between the fingers still does.
    assert np.allclose(on_picture(page, TITLE, 80, 60), (x, y), atol=2.0)
    for k in range(1, 5):  # both move down together
        touch("touchMove", (x - 90, y + 10 * k), (x + 90, y + 10 * k))
    wait_until(page, lambda: np.allclose(on_picture(page, TITLE, 80, 60), (x, y + 40), atol=2.0))
    touch("touchEnd", (x - 90, y + 40))  # one finger lifts before the other
    touch("touchEnd")
    assert abs(width(page) / before - 3.0) < 0.05
    # One finger alone marks, the zoom as it is: had the pinch set marks, they would come first.
    page.touchscreen.tap(*on_picture(page, TITLE, 90, 55))
    wait_until(page, lambda: len(kept(folder, job)) > 0)
    assert np.allclose(kept(folder, job), [[90, 55]], atol=0.5)


def test_marks_are_set_moved_and_removed_by_keys_alone(
    folder: Path, address: str, page: Any
) -> None:
    job = open_landmarks(folder, address, page)
    before = width(page)

    def keeps(*points: tuple[float, float]) -> None:
        wait_until(
            page,
            lambda: (
                len(kept(folder, job)) == len(points)
                and (not points or np.allclose(kept(folder, job), points, atol=0.6))
            ),
        )

    page.get_by_role("button", name="Undo").first.focus()
    page.keyboard.press("Tab")  # into the picture
    page.keyboard.press("+")
    page.keyboard.press("+")
    wait_until(page, lambda: abs(width(page) / before - 1.5**2) < 0.05)
    page.keyboard.press("Enter")  # the middle of what is seen
    keeps((79.5, 59.5))
    mark = page.get_by_role("button", name="Landmark 1")
    mark.focus()
    for _ in range(12):  # as fast as a held key: no step gets lost
        page.keyboard.press("ArrowRight")
    keeps((91.5, 59.5))
    page.keyboard.press("Shift+ArrowUp")  # the focus has stayed
    keeps((91.5, 54.5))
    page.keyboard.press("Delete")
    keeps()
    page.get_by_role("button", name="Undo").first.press("Enter")
    keeps((91.5, 54.5))
