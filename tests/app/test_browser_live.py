"""The Live page in a real Chromium: a supply that runs the plan, reloads and closed tabs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from hotspot.files.recordings import load_recording
from tests.app.flows import (
    click,
    close_camera,
    is_disabled,
    job_file,
    open_camera,
    practice_job,
    press,
    settled,
    shown_number,
    take_baseline,
    wait_until,
)

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]


def planned_job(folder: Path, address: str, page: Any) -> int:
    job = practice_job(folder)
    page.goto(f"{address}/plan?job={job}")
    click(page, "Note this plan")
    page.get_by_role("button", name="Open camera").wait_for()
    assert job_file(folder, job).plans
    return job


def choose_programmable(page: Any) -> None:
    settled(page)
    click(page, "Supply")
    page.get_by_text("programmable", exact=True).click()
    page.get_by_text("has a supply of its own").wait_for()
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Run the plan").wait_for()


def test_a_supply_runs_the_plan_survives_a_reload_and_is_stopped_by_a_key(
    folder: Path, address: str, page: Any
) -> None:
    job = planned_job(folder, address, page)
    open_camera(page, address, job)
    choose_programmable(page)
    is_disabled(page, "Run the plan")  # no baseline yet
    take_baseline(page)
    press(page, "o")
    page.get_by_text("Supply: running").wait_for()
    page.get_by_text("ON", exact=True).wait_for()
    page.get_by_text("s left").wait_for()
    is_disabled(page, "Cold baseline")
    page.reload()
    page.get_by_text("Supply: running").wait_for()  # a reload stops nothing
    page.get_by_role("button", name="Stop, output off").wait_for()
    press(page, "o")
    page.get_by_text("Supply: stopped").wait_for()
    page.get_by_text("OFF", exact=True).wait_for()
    page.get_by_role("button", name="Run the plan").wait_for()
    click(page, "Stop recording")
    folders = sorted((folder / "recordings").glob(f"job{job}-*"))
    wait_until(page, lambda: "complete = true" in (folders[-1] / "recording.toml").read_text())
    log = load_recording(folders[-1]).injection
    assert log is not None
    assert log.on.any()
    assert not log.on[-1]
    close_camera(page)


def test_without_a_plan_the_supply_is_not_driven(folder: Path, address: str, page: Any) -> None:
    job = practice_job(folder)
    open_camera(page, address, job)
    choose_programmable(page)
    take_baseline(page)
    press(page, "o")
    page.get_by_text("Note one on Plan").wait_for()
    assert page.locator("[data-testid=stException]").count() == 0
    close_camera(page)


def test_a_closed_tab_leaves_the_camera_to_the_next(folder: Path, address: str, page: Any) -> None:
    job = practice_job(folder)
    first = page.context.new_page()
    first.set_default_timeout(60_000)
    open_camera(first, address, job)
    take_baseline(first)
    first.close()
    page.goto(f"{address}/live?job={job}")
    page.get_by_role("button", name="Save evidence").wait_for()  # the same camera, its tape running
    before = shown_number(page)
    wait_until(page, lambda: shown_number(page) > before)
    close_camera(page)


def test_keys_freeze_and_go_on(folder: Path, address: str, page: Any) -> None:
    job = practice_job(folder)
    open_camera(page, address, job)
    press(page, "f")
    page.get_by_role("button", name="Frozen").wait_for()
    still = shown_number(page)
    page.wait_for_timeout(1000)  # pictures keep coming and must not be shown
    assert shown_number(page) == still
    page.get_by_role("button", name="Frozen").click()
    wait_until(page, lambda: shown_number(page) > still)
    close_camera(page)
