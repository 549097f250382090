"""The Board page in a real Chromium: design files and packs uploaded, parts drawn, a stand kept."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from hotspot.bench.cameras import practice_landmarks
from hotspot.board import Part
from hotspot.files.boards import load_board
from hotspot.jobs.board_pack import open_board
from hotspot.jobs.cold_picture import keep_cold
from hotspot.jobs.drafts import Drafts
from hotspot.jobs.practice_job import sample_board
from hotspot.store.jobs import open_store
from tests.app.flows import SEED, click, enter, on_picture, practice_job, settled, wait_until

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]
TABLE = b"Designator,Val,Package,Mid X,Mid Y,Rotation,Layer\nC1,1u,0402,1.0mm,2.0mm,0,top\n"


def new_job(folder: Path) -> int:
    with open_store(str(folder / "jobs.db")) as store:
        return store.new_job(customer="K-1", board_type="drawn").id


def parts_of(folder: Path, job: int) -> dict[str, Part]:
    with open_store(str(folder / "jobs.db")) as store:
        board = open_board(store, store.job_file(job), scratch=folder / "unpacked")
    return {} if board is None else {p.ref: p for p in board.parts}


def photo_file(folder: Path) -> Path:
    path = folder / "photo.png"
    Image.fromarray(np.full((300, 400, 3), 90, np.uint8)).save(path)
    return path


def give(page: Any, label: str, path: Path) -> None:
    page.locator("[data-testid=stFileUploader]", has_text=label).wait_for()
    settled(page)
    page.locator("[data-testid=stFileUploader]", has_text=label).locator("input").set_input_files(
        str(path)
    )


def test_parts_are_drawn_dragged_sized_nudged_undone(folder: Path, address: str, page: Any) -> None:
    job = new_job(folder)
    page.goto(f"{address}/board?job={job}")
    page.get_by_text("Draw parts", exact=True).click()
    page.get_by_text("From design files").wait_for(state="hidden")
    give(page, "Board photo", photo_file(folder))
    page.locator("button:not([disabled])", has_text="Use this photo").first.click()
    page.get_by_alt_text("Board photo").wait_for()
    page.get_by_text("Draw a box round a part").wait_for()

    def drag(start: tuple[float, float], end: tuple[float, float]) -> None:
        settled(page)  # or the picture would move under the mouse
        page.mouse.move(*on_picture(page, "Board photo", *start))
        page.mouse.down()
        page.mouse.move(*on_picture(page, "Board photo", *end), steps=4)
        page.mouse.up()

    def box_is(*want: float) -> None:
        def holds() -> bool:
            part = parts_of(folder, job).get("C17")
            if part is None:
                return False
            found = (part.x_mm, part.y_mm, part.width_mm, part.height_mm)
            return bool(np.allclose(found, want, atol=2.0))

        wait_until(page, holds)

    drag((100, 100), (160, 140))
    page.get_by_text("New part").wait_for()
    enter(page, "Name", "c17")
    enter(page, "Nets", "3V3 GND")
    click(page, "Add part")
    box_is(130, 120, 60, 40)
    assert parts_of(folder, job)["C17"].nets == ("3V3", "GND")
    part = page.get_by_role("button", name="Part C17")
    part.wait_for()
    drag((130, 120), (200, 160))
    box_is(200, 160, 60, 40)
    part.wait_for()
    drag((229.5, 179.5), (249.5, 199.5))  # its lower right corner: the upper left one stays
    box_is(210, 170, 80, 60)
    page.get_by_role("button", name="Part C17").press("Shift+ArrowLeft")
    box_is(205, 170, 80, 60)
    click(page, "Undo")
    box_is(210, 170, 80, 60)
    page.get_by_role("button", name="Part C17").press("Delete")
    wait_until(page, lambda: not parts_of(folder, job))
    click(page, "Undo")
    box_is(210, 170, 80, 60)
    settled(page)
    with page.expect_download() as download:
        click(page, "Save board pack")
    with zipfile.ZipFile(io.BytesIO(Path(download.value.path()).read_bytes())) as archive:
        assert "board/parts.csv" in archive.namelist()
        assert b"C17" in archive.read("board/parts.csv")


def test_bad_files_are_one_line_and_good_ones_make_a_board(
    folder: Path, address: str, page: Any
) -> None:
    job = new_job(folder)
    page.goto(f"{address}/board?job={job}")
    bad, good, pack = folder / "bad.csv", folder / "good.csv", folder / "pack.zip"
    bad.write_bytes(b"\x00\x01\x02 no table at all")
    good.write_bytes(TABLE)
    pack.write_bytes(b"PK no archive")
    give(page, "Pick-and-place table", bad)
    page.locator("[data-testid=stBaseButton-primary]:not([disabled])", has_text="Import").click()
    page.get_by_text("centroids.csv").first.wait_for()
    assert page.locator("[data-testid=stException]").count() == 0
    assert parts_of(folder, job) == {}
    give(page, "Board pack (ZIP)", pack)
    page.locator("button:not([disabled])", has_text="Take the uploaded pack").click()
    page.get_by_text("is no ZIP file that can be read").wait_for()
    page.reload()
    page.get_by_text("From design files").wait_for()
    give(page, "Pick-and-place table", good)
    page.locator("[data-testid=stBaseButton-primary]:not([disabled])", has_text="Import").click()
    page.get_by_text("1 parts").or_(page.get_by_text("1 part,")).first.wait_for()
    assert set(parts_of(folder, job)) == {"C1"}


def test_a_stand_is_kept_and_used_again(folder: Path, address: str, page: Any) -> None:
    job = practice_job(folder)
    board = load_board(sample_board())
    marks = practice_landmarks(board, seed=SEED)
    drafts = Drafts(folder / "drafts")
    rng = np.random.default_rng(2)
    cold = rng.normal(25.0, 0.02, (192, 256)).astype(np.float32)
    for x, y in rng.integers(20, 170, (30, 2)):  # parts that shine otherwise
        cold[y : y + 9, x : x + 14] += 1.5
    keep_cold(folder / "drafts", job, cold)
    drafts.save(job, "marks_thermal", marks[:, :2].tolist())
    drafts.save(job, "marks_photo", marks[:, 2:].tolist())
    page.goto(f"{address}/board?job={job}")
    page.get_by_text("Landmarks", exact=True).click()
    page.get_by_text("By the stand").wait_for()
    enter(page, "Name", "left arm")
    page.locator("button:not([disabled])", has_text="Keep for this stand").click()
    page.get_by_role("button", name="Use this stand").wait_for()
    click(page, "Clear all clicks")
    page.get_by_role("button", name="Clear all clicks").wait_for(state="hidden")
    assert not drafts.load(job).get("stand")
    click(page, "Use this stand")
    wait_until(page, lambda: drafts.load(job).get("stand") == "left-arm")
    kept = drafts.load(job)
    scale = np.linalg.norm(marks[0, 2:] - marks[2, 2:]) / np.linalg.norm(
        marks[0, :2] - marks[2, :2]
    )
    found = np.c_[kept["marks_thermal"], kept["marks_photo"]]
    apart = np.linalg.norm(found[0, 2:] - found[2, 2:]) / np.linalg.norm(
        found[0, :2] - found[2, :2]
    )
    assert apart == pytest.approx(scale, rel=0.1)
