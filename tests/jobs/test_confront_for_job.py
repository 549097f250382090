"""Measured against predicted heat of a job's own finding."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from hotspot.files.boards import load_board
from hotspot.jobs.confront_for_job import confront_for_job, wishes_to_dict
from hotspot.jobs.drafts import Drafts
from hotspot.jobs.find_for_job import find_for_job
from hotspot.jobs.plan_for_job import Wishes
from hotspot.jobs.practice_job import open_practice_job, sample_board
from hotspot.store.entries import JobFile
from hotspot.store.jobs import JobStore, open_store

STEP = Path(__file__).resolve().parents[2] / "sample_frames" / "step"
WISHES = wishes_to_dict(Wishes(rail="3V3", nominal_v=3.3, measured_ohm=0.3))


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[JobStore, JobFile]]:
    folder = tmp_path_factory.mktemp("job")
    with open_store(str(folder / "jobs.db")) as store:
        job = open_practice_job(store, Drafts(folder / "drafts"), seed=33)
        find_for_job(store, job, STEP)
        yield store, store.job_file(job)


def test_a_finding_is_held_against_the_plan(found: tuple[JobStore, JobFile]) -> None:
    store, file = found
    says = confront_for_job(
        store, file, file.findings[0], wishes=WISHES, board=load_board(sample_board())
    )
    # The sample is made by the same physics that the plan predicts with: within a factor of two.
    assert says.startswith("As predicted")


@pytest.mark.parametrize(
    "wishes",
    [
        None,
        {},
        {"rail": "VSYS", "nominal_v": 3.6, "measured_ohm": 0.3},  # another rail
        {"rail": "nowhere"},
        {"rail": "3V3", "nominal_v": "much"},
        {**WISHES, "battery_connected": True},
    ],
)
def test_without_a_plan_that_fits_nothing_is_said(
    found: tuple[JobStore, JobFile], wishes: dict[str, object] | None
) -> None:
    store, file = found
    board = load_board(sample_board())
    assert confront_for_job(store, file, file.findings[0], wishes=wishes, board=board) == ""
