"""The flows of a day at the bench, in a real Chromium on a real server."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hotspot.bench.cameras import build_practice_scene
from hotspot.files.boards import load_board
from hotspot.jobs.cold_picture import keep_cold
from hotspot.jobs.drafts import Drafts
from hotspot.jobs.practice_job import open_practice_job, sample_board
from hotspot.store.entries import JobFile, Outcome
from hotspot.store.jobs import open_store
from tests.app.browser import LIVE_CANVAS, StreamCamera, bench_server, chromium

pytestmark = [pytest.mark.browser, pytest.mark.timeout(240)]
SEED = 5


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
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
    one.set_default_timeout(40_000)
    yield one
    if shots := os.environ.get("HOTSPOT_SHOTS"):  # to look at what a failing test saw last
        one.screenshot(path=f"{shots}/{time.time():.0f}.png")
    context.close()


def practice_job(folder: Path) -> int:
    with open_store(str(folder / "jobs.db")) as store:
        return open_practice_job(store, Drafts(folder / "drafts"), seed=SEED)


def job_file(folder: Path, job: int) -> JobFile:
    with open_store(str(folder / "jobs.db")) as store:
        return store.job_file(job)


def wait_until(page: Any, holds: Callable[[], bool]) -> None:
    for _ in range(100):
        if holds():
            return
        page.wait_for_timeout(150)
    raise AssertionError("it did not happen within 15 s")


def click(page: Any, name: str, *, exact: bool = False) -> None:
    page.get_by_role("button", name=name, exact=exact).first.click()


def open_camera(page: Any, address: str, job: int) -> None:
    page.goto(f"{address}/live?job={job}")
    click(page, "Open camera")
    page.get_by_text("new frames/s").wait_for()


def shown_number(page: Any) -> int:
    return int(page.locator(LIVE_CANVAS).get_attribute("data-number") or 0)


def close_camera(page: Any) -> None:
    click(page, "Close camera")
    page.get_by_role("button", name="Open camera").wait_for()


def test_whole_job_with_the_practice_camera(folder: Path, address: str, page: Any) -> None:
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    job = practice_job(folder)
    page.goto(f"{address}/readings?job={job}")
    page.get_by_text("Inject first").wait_for()
    click(page, "Plan for VSYS")
    click(page, "Note this plan")
    click(page, "Open camera")
    page.get_by_text("new frames/s").wait_for()
    page.keyboard.press("b")
    page.get_by_text("COLD", exact=True).wait_for()
    page.locator("button:not([disabled])", has_text="Output on").first.wait_for()
    page.keyboard.press("o")
    page.get_by_text("ON", exact=True).wait_for()
    page.wait_for_timeout(4000)
    page.keyboard.press("s")
    page.get_by_role("button", name="Note: taken off").wait_for(timeout=90_000)
    truth = build_practice_scene(load_board(sample_board()), seed=SEED).circuit.short_ref
    page.get_by_role("textbox", name="Part").fill(str(truth))
    page.keyboard.press("Tab")
    click(page, "Note: taken off")
    page.get_by_text("of 100 points").wait_for()
    page.get_by_text("ohm", exact=True).click()
    page.get_by_label("Readings as the meter shows them").fill("VSYS 9200")
    page.keyboard.press("Tab")
    page.locator("button:not([disabled])", has_text="Note readings").first.click()
    wait_until(page, lambda: len(job_file(folder, job).readings) == 6)
    page.locator("[data-testid=stDataFrame]").first.wait_for()  # the page has settled
    page.wait_for_timeout(500)
    click(page, "Compare before and after")
    wait_until(page, lambda: len(job_file(folder, job).verifications) == 1)
    page.get_by_role("link", name="Hand-over").click()
    page.get_by_text("repaired", exact=True).first.click()
    click(page, "Close job")
    page.get_by_text("Closed: repaired").wait_for()
    with page.expect_download() as download:
        click(page, "Save report")
    assert Path(download.value.path()).read_bytes().startswith(b"%PDF")
    file = job_file(folder, job)
    assert file.job.outcome is Outcome.REPAIRED
    assert {a.name for a in file.findings[0].files} >= {"evidence.png", "heat.png", "heat.tif"}
    assert file.recordings[0].rail == "VSYS"
    assert file.readings[-1].value == 9200
    assert file.actions[-1].ref == truth
    assert errors == []


def test_landmarks_are_clicked_dragged_nudged_and_undone(
    folder: Path, address: str, page: Any
) -> None:
    job = practice_job(folder)
    cold = np.random.default_rng(1).normal(25.0, 1.0, (120, 160)).astype(np.float32)
    keep_cold(folder / "drafts", job, cold)
    page.goto(f"{address}/board?job={job}")
    page.get_by_text("Landmarks", exact=True).click()
    page.get_by_text("Click landmark 1").wait_for()

    def kept(name: str, count: int) -> list[list[float]]:
        points: list[list[float]] = []
        for _ in range(60):
            points = Drafts(folder / "drafts").load(job).get(name, [])
            if len(points) == count:
                return points
            page.wait_for_timeout(100)
        raise AssertionError(f"{name}: {points}, wanted {count}")

    def spot(title: str, x: float, y: float) -> tuple[float, float]:
        box = page.get_by_alt_text(title).bounding_box()
        width, height = (160, 120) if title == "Thermal picture" else (1600, 1190)
        found = page.get_by_alt_text(title).evaluate("e => [e.naturalWidth, e.naturalHeight]")
        width, height = found if title == "Board photo" else (width, height)
        return (
            box["x"] + (x + 0.5) * box["width"] / width,
            box["y"] + (y + 0.5) * box["height"] / height,
        )

    page.mouse.click(*spot("Thermal picture", 20, 30))
    assert np.allclose(kept("marks_thermal", 1), [[20, 30]], atol=0.2)
    page.get_by_text("Now click landmark 1 on the photo").wait_for()
    page.mouse.click(*spot("Board photo", 300, 200))
    assert np.allclose(kept("marks_photo", 1), [[300, 200]], atol=1.5)
    page.get_by_text("Click landmark 2").wait_for()
    # Dragged by (40, 10) thermal px, grabbed off its centre: it moves by just that.
    x, y = spot("Thermal picture", 21, 31)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(*spot("Thermal picture", 40, 35), steps=3)
    page.mouse.move(*spot("Thermal picture", 61, 41))
    page.mouse.up()
    page.wait_for_timeout(700)
    assert np.allclose(kept("marks_thermal", 1), [[60, 40]], atol=0.3)
    page.get_by_role("button", name="Landmark 1").first.press("ArrowRight")
    page.wait_for_timeout(700)
    assert np.allclose(kept("marks_thermal", 1), [[61, 40]], atol=0.3)
    page.get_by_role("button", name="Undo").first.click()
    page.wait_for_timeout(700)
    assert np.allclose(kept("marks_thermal", 1), [[60, 40]], atol=0.3)
    # Zoomed in, a click means the same pixel, only finer.
    page.get_by_role("button", name="Larger").first.click()
    page.get_by_role("button", name="Larger").first.click()
    page.mouse.click(*spot("Thermal picture", 80, 60))
    assert np.allclose(kept("marks_thermal", 2)[1], [80, 60], atol=0.2)


def test_a_reload_keeps_camera_and_text_and_two_tabs_do_not_fight(
    folder: Path, address: str, page: Any
) -> None:
    job = practice_job(folder)
    page.goto(f"{address}/readings?job={job}")
    page.get_by_text("Inject first").wait_for()
    page.get_by_label("Readings as the meter shows them").fill("1V8 0.2")
    page.keyboard.press("Tab")
    kept = Drafts(folder / "drafts")
    wait_until(page, lambda: kept.load(job).get("before.lines") == "1V8 0.2")
    page.reload()
    page.get_by_text("Inject first").wait_for()
    assert page.get_by_label("Readings as the meter shows them").input_value() == "1V8 0.2"
    open_camera(page, address, job)
    page.keyboard.press("b")
    page.get_by_text("COLD", exact=True).wait_for()
    page.reload()
    page.get_by_text("new frames/s").wait_for()  # the same camera, without opening it again
    page.get_by_role("button", name="Close camera").wait_for()
    other = page.context.new_page()
    other.goto(f"{address}/live?job={job}")
    other.get_by_text("worked from another tab").wait_for()
    before = shown_number(other)
    other.wait_for_timeout(700)
    assert shown_number(other) > before  # it looks on
    assert other.get_by_role("button", name="Cold baseline").count() == 0
    other.get_by_role("button", name="Take over").click()
    other.get_by_role("button", name="Cold baseline").wait_for()
    page.get_by_text("worked from another tab").wait_for(timeout=15_000)
    close_camera(other)
    page.get_by_text("No camera is open").or_(page.get_by_text("Open camera")).first.wait_for()


def test_a_camera_unplugged_and_plugged_in_again_goes_on(
    folder: Path, address: str, page: Any
) -> None:
    camera = StreamCamera()
    camera.plug_in()
    try:
        job = practice_job(folder)
        page.goto(f"{address}/live?job={job}")
        page.get_by_text("network address").click()
        page.get_by_label("Address").fill(camera.address)
        page.keyboard.press("Tab")
        page.wait_for_timeout(500)
        click(page, "Open camera")
        page.get_by_text("160 × 120").wait_for()
        camera.unplug()
        page.get_by_text("gives no picture").or_(
            page.get_by_text("cannot be opened")
        ).first.wait_for()
        stopped = shown_number(page)
        camera.plug_in()
        deadline = time.monotonic() + 20
        while shown_number(page) <= stopped + 5:
            assert time.monotonic() < deadline, "the picture did not come back"
            page.wait_for_timeout(300)
        close_camera(page)
    finally:
        camera.unplug()


def test_drafts_of_this_module_are_plain_json(folder: Path) -> None:
    for path in (folder / "drafts").glob("*.json"):
        assert isinstance(json.loads(path.read_text()), dict)
