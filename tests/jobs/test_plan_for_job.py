"""The plan of a job, its expected picture, and analyses in the background."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hotspot.errors import RecordingError
from hotspot.files.boards import load_board
from hotspot.inject.limits import AMPS, WATTS, smallest
from hotspot.inject.prediction import apparent_rise_k
from hotspot.jobs import background
from hotspot.jobs.background import Works
from hotspot.jobs.plan_for_job import Wishes, find_measured_ohm, plan_for_job
from hotspot.jobs.plan_picture import SIDE_PX, predict_picture
from hotspot.jobs.practice_job import sample_board
from hotspot.store.entries import Job, JobFile, Phase, ReadingEntry

WISHES = Wishes(rail="3V3", measured_ohm=0.2)


def test_own_limits_only_tighten() -> None:
    board = load_board(sample_board())
    widest = plan_for_job(WISHES, board=board)
    assert widest.refused is None
    top_w = smallest(widest.limits, WATTS).value
    tight = plan_for_job(
        Wishes(rail="3V3", measured_ohm=0.2, max_power_w=0.3 * top_w, max_a=0.2), board=board
    )
    assert tight.point.fault_w <= 0.3 * top_w
    assert tight.limit_a <= 0.2
    assert smallest(tight.limits, AMPS).value <= 0.2
    loose = plan_for_job(Wishes(rail="3V3", measured_ohm=0.2, max_power_w=99.0), board=board)
    assert loose.point.fault_w <= widest.point.fault_w * 1.0001


def test_a_battery_or_a_missing_voltage_refuses() -> None:
    board = load_board(sample_board())
    battery = Wishes(rail="3V3", measured_ohm=0.2, battery_connected=True)
    assert plan_for_job(battery, board=board).refused
    assert plan_for_job(Wishes(rail="3V3", measured_ohm=0.2), board=None).refused
    known = Wishes(rail="3V3", nominal_v=3.3, measured_ohm=0.2)
    assert plan_for_job(known, board=None).refused is None


def test_the_expected_picture_peaks_as_predicted() -> None:
    plan = plan_for_job(WISHES, board=load_board(sample_board()))
    picture = predict_picture(plan, t_s=5.0, frames=10**9, rng=np.random.default_rng(1))
    assert picture.shape == SIDE_PX[::-1]
    peak = float(apparent_rise_k(plan.scenery, t_s=np.array([5.0]), power_w=plan.point.fault_w)[0])
    assert float(picture.max()) == pytest.approx(peak, rel=0.02)
    row, column = np.unravel_index(picture.argmax(), picture.shape)
    assert (row, column) == (SIDE_PX[1] // 2, SIDE_PX[0] // 2)
    rim = np.r_[picture[0], picture[-1]]
    assert float(rim.max()) < 0.5 * peak
    noisy = predict_picture(plan, t_s=5.0, frames=1, rng=np.random.default_rng(1)) - picture
    assert float(noisy.std()) == pytest.approx(1e-3 * plan.scenery.view.netd_mk, rel=0.05)


def test_the_newest_ohms_of_the_rail_are_taken() -> None:
    def reading(target: str, mode: str, value: float, phase: Phase) -> ReadingEntry:
        return ReadingEntry(target, mode, f"{value}", value, phase=phase)

    before = Phase.BEFORE
    readings = (
        reading("3V3", "ohm", 0.5, before), reading("3v3", "ohm", 0.3, before),
        reading("3V3", "diode", 0.002, before), reading("3V3", "ohm", 410, Phase.AFTER),
        reading("1V8", "ohm", 99, before),
    )  # fmt: skip
    job = Job(1, "K", "", "", None, None, None, None, 1)  # type: ignore[arg-type]
    assert find_measured_ohm(JobFile(job, readings=readings), "3V3") == 0.3
    assert find_measured_ohm(JobFile(job), "3V3") is None


class Store:
    where = "here"


def test_an_analysis_goes_on_in_the_background(monkeypatch: pytest.MonkeyPatch) -> None:
    go = threading.Event()
    seen: list[Any] = []

    def slow(store: Any, job_id: int, folder: Path, *, phase: Phase, progress: Any) -> None:
        progress(0.4, "fitting the heat")
        assert go.wait(10)
        seen.append((job_id, folder, phase))

    monkeypatch.setattr(background, "find_for_job", slow)
    works, store = Works(), Store()
    work = works.start(store, 7, Path("a"), phase=Phase.AFTER)  # type: ignore[arg-type]
    again = works.start(store, 7, Path("b"), phase=Phase.AFTER)  # type: ignore[arg-type]
    assert again is work  # one at a time
    while work.share == 0:
        assert work.is_alive()
    assert (work.share, work.doing) == (0.4, "Fitting the heat")
    go.set()
    work.join(10)
    assert seen == [(7, Path("a"), Phase.AFTER)]
    assert work.problem == ""
    assert works.of(store, 7) is work  # type: ignore[arg-type]
    assert works.of(store, 8) is None  # type: ignore[arg-type]


def test_what_an_analysis_cannot_use_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any, **__: Any) -> None:
        raise RecordingError("holds no frames", where="a", cure="Record again")

    monkeypatch.setattr(background, "find_for_job", refuse)
    work = Works().start(Store(), 1, Path("a"), phase=Phase.BEFORE)  # type: ignore[arg-type]
    work.join(10)
    assert work.problem == "a: holds no frames. Record again"
