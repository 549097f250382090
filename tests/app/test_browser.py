"""The flows of a day at the bench, in a real Chromium on a real server."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hotspot.bench.cameras import build_practice_scene
from hotspot.files.boards import load_board
from hotspot.jobs.drafts import Drafts
from hotspot.jobs.practice_job import sample_board
from hotspot.store.entries import Outcome
from tests.app.browser import StreamCamera
from tests.app.flows import (
    SEED,
    click,
    close_camera,
    enter,
    is_gone,
    job_file,
    on_picture,
    open_camera,
    open_landmarks,
    practice_job,
    press,
    settled,
    shown_number,
    take_baseline,
    wait_until,
)

pytestmark = [pytest.mark.browser, pytest.mark.timeout(600)]


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
    take_baseline(page)
    press(page, "o")
    page.get_by_text("ON", exact=True).wait_for()
    page.get_by_text("Best suspect so far").wait_for(timeout=200_000)
    press(page, "s")
    page.get_by_role("button", name="Note: taken off").wait_for(timeout=200_000)
    truth = build_practice_scene(load_board(sample_board()), seed=SEED).circuit.short_ref
    enter(page, "Part", str(truth))
    click(page, "Note: taken off")
    page.get_by_text("of 100 points").wait_for()
    settled(page)
    page.get_by_text("ohm", exact=True).click()
    enter(page, "Readings as the meter shows them", "VSYS 9200")
    page.locator("button:not([disabled])", has_text="Note readings").first.click()
    page.get_by_role("table").get_by_text("9.2 kΩ").wait_for()
    wait_until(page, lambda: len(job_file(folder, job).readings) == 6)
    settled(page)
    click(page, "Compare before and after")
    # One witness, the meter: "repaired" takes a second one.
    page.get_by_text("Not confirmed", exact=True).wait_for()
    settled(page)
    page.get_by_role("link", name="Hand-over").click()
    page.get_by_text("Outcome", exact=True).wait_for()
    settled(page)
    page.get_by_text("repaired", exact=True).first.click()
    settled(page)
    click(page, "Close job")
    page.get_by_text("Closed: repaired").wait_for()
    settled(page)
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
    job = open_landmarks(folder, address, page)

    def keeps(name: str, *points: tuple[float, float], within: float) -> None:
        def holds() -> bool:
            kept = Drafts(folder / "drafts").load(job).get(name, [])
            return np.shape(kept) == np.shape(points) and np.allclose(kept, points, atol=within)

        wait_until(page, holds)

    def spot(title: str, x: float, y: float) -> tuple[float, float]:
        return on_picture(page, title, x, y)

    page.mouse.click(*spot("Thermal picture", 20, 30))
    keeps("marks_thermal", (20, 30), within=0.2)
    page.get_by_text("Now click landmark 1 on the photo").wait_for()
    page.mouse.click(*spot("Board photo", 300, 200))
    keeps("marks_photo", (300, 200), within=1.5)
    page.get_by_text("Click landmark 2").wait_for()
    # Dragged by (40, 10) thermal px, grabbed off its centre: it moves by just that.
    x, y = spot("Thermal picture", 21, 31)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(*spot("Thermal picture", 40, 35), steps=3)
    page.mouse.move(*spot("Thermal picture", 61, 41))
    page.mouse.up()
    keeps("marks_thermal", (60, 40), within=0.3)
    page.get_by_role("button", name="Landmark 1").first.press("ArrowRight")
    keeps("marks_thermal", (61, 40), within=0.3)
    page.get_by_role("button", name="Undo").first.click()
    keeps("marks_thermal", (60, 40), within=0.3)
    # Zoomed in, a click means the same pixel, only finer.
    page.get_by_role("button", name="Larger").first.click()
    page.get_by_role("button", name="Larger").first.click()
    page.mouse.click(*spot("Thermal picture", 80, 60))
    keeps("marks_thermal", (60, 40), (80, 60), within=0.3)


def test_a_reload_keeps_camera_and_text_and_two_tabs_do_not_fight(
    folder: Path, address: str, page: Any
) -> None:
    job = practice_job(folder)
    page.goto(f"{address}/readings?job={job}")
    page.get_by_text("Inject first").wait_for()
    enter(page, "Readings as the meter shows them", "1V8 0.2")
    kept = Drafts(folder / "drafts")
    wait_until(page, lambda: kept.load(job).get("before.lines") == "1V8 0.2")
    page.reload()
    page.get_by_text("Inject first").wait_for()
    # Text around a box may be drawn before the box is filled with what was kept.
    typed = page.get_by_label("Readings as the meter shows them")
    wait_until(page, lambda: typed.input_value() == "1V8 0.2")
    open_camera(page, address, job)
    press(page, "b")
    page.get_by_text("COLD", exact=True).wait_for()
    page.reload()
    page.get_by_text("new frames/s").wait_for()  # the same camera, without opening it again
    page.get_by_role("button", name="Close camera").wait_for()
    other = page.context.new_page()
    other.goto(f"{address}/live?job={job}")
    other.get_by_text("worked from another tab").wait_for()
    before = shown_number(other)
    wait_until(other, lambda: shown_number(other) > before)  # it looks on
    is_gone(other, "Cold baseline")
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
        page.get_by_label("Address").wait_for()
        enter(page, "Address", camera.address)
        wait_until(page, lambda: Drafts(folder / "drafts").load(job).get("url") == camera.address)
        click(page, "Open camera")
        page.get_by_text("160 × 120").wait_for()
        camera.unplug()
        page.get_by_text("gives no picture").or_(
            page.get_by_text("cannot be opened")
        ).first.wait_for()
        stopped = shown_number(page)
        camera.plug_in()
        wait_until(page, lambda: shown_number(page) > stopped + 5)
        close_camera(page)
    finally:
        camera.unplug()


def test_drafts_of_this_module_are_plain_json(folder: Path) -> None:
    for path in (folder / "drafts").glob("*.json"):
        assert isinstance(json.loads(path.read_text()), dict)
