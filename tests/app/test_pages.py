"""The pages' own logic, with Streamlit's test harness: no browser, no server."""

from __future__ import annotations

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from hotspot.app import shared
from hotspot.app.server import SCRIPT
from hotspot.jobs.practice_job import CANS, SEED, open_practice_job
from hotspot.jobs.progress import Stage, find_done, find_next
from hotspot.store.entries import ActionKind, FindingEntry, Outcome, RecordingEntry, Status

SEED_USED = 5


def page(name: str, job: int | None = None, *, timeout: float = 30) -> AppTest:
    test = AppTest.from_file(str(SCRIPT), default_timeout=timeout)
    if job is not None:
        test.query_params["job"] = str(job)
    test.run()
    if name != "job":
        test.switch_page(f"hotspot/app/{name}.py")
    return test


def button(test: AppTest, label: str) -> object:
    found = [b for b in test.button if label in b.label]
    assert found, f"no button {label}: {[b.label for b in test.button]}"
    return found[0]


def run_page(module: str, job: int) -> AppTest:
    """Run one page on its own, as the navigation would."""
    source = (
        "import streamlit as st\n"
        "from hotspot.app import shell\n"
        "file = shell.current_file()\n"
        "shell.pages(file)\n"
        "shell.note_job(file)\n"
        "from importlib import import_module\n"
        "with shell.told():\n"
        f"    import_module('hotspot.app.{module}').show()\n"
    )
    test = AppTest.from_string(source, default_timeout=40)
    test.query_params["job"] = str(job)
    return test.run()


@pytest.fixture
def practice(bench_store: Path) -> int:
    return open_practice_job(shared.store(), shared.drafts(), seed=SEED_USED)


def test_first_page_opens_a_job(bench_store: Path) -> None:
    test = page("job")
    assert not test.exception
    test.text_input[0].input("K-1041")
    test.text_input[1].input("pump controller")
    next(b for b in test.button if b.label == "Open job").click().run()
    jobs = shared.store().find_jobs()
    assert [(j.customer, j.board_type) for j in jobs] == [("K-1041", "pump controller")]
    assert test.query_params["job"] == str(jobs[0].id)


def test_an_empty_reference_is_refused_in_one_line(bench_store: Path) -> None:
    test = page("job")
    next(b for b in test.button if b.label == "Open job").click().run()
    assert not test.exception
    assert "reference: is empty" in test.error[0].value
    assert shared.store().count_jobs() == 0


def test_a_job_number_that_is_not_there_is_said(bench_store: Path) -> None:
    test = page("job", 999)
    assert not test.exception
    assert "there is no job 999" in test.error[0].value


@pytest.mark.parametrize("number", ["-1", "1e9", "<b>", "99999999999999999999"])
def test_nonsense_in_the_address_is_no_job(bench_store: Path, number: str) -> None:
    test = AppTest.from_file(str(SCRIPT), default_timeout=30)
    test.query_params["job"] = number
    test.run()
    assert not test.exception
    assert not test.error


def test_a_damaged_store_is_one_line(bench_store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bad = bench_store / "bad.db"
    bad.write_bytes(b"this is no database" * 100)
    monkeypatch.setenv("HOTSPOT_STORE", str(bad))
    test = page("job", 1)
    assert not test.exception
    assert "bad.db" in test.error[0].value


def test_readings_are_judged_noted_and_lead_to_the_plan(practice: int) -> None:
    test = run_page("page_readings", practice)
    assert not test.exception
    assert "Inject first: **VSYS**" in test.success[0].value
    area = test.text_area[0]
    area.input("3V3 rubbish").run()
    button(test, "Note readings").click().run()
    assert "readings line 1" in test.error[0].value
    test.text_area[0].input("3V3 0.34").run()
    before = len(shared.store().job_file(practice).readings)
    button(test, "Note readings").click().run()
    assert len(shared.store().job_file(practice).readings) == before + 1
    assert test.text_area[0].value == ""


def test_what_was_typed_survives_a_reload(practice: int) -> None:
    test = run_page("page_readings", practice)
    test.text_area[0].input("1V8 0.2").run()
    again = run_page("page_readings", practice)  # another session, as after a reload
    assert again.text_area[0].value == "1V8 0.2"


def test_the_supply_current_is_judged(practice: int) -> None:
    test = run_page("page_readings", practice)
    test.text_input[0].input("1.5").run()
    button(test, "Judge the current").click().run()
    assert shared.store().job_file(practice).triages[-1].verdict == "main rail short"
    test.text_input[0].input("much").run()
    button(test, "Judge the current").click().run()
    assert test.error[0].value


def test_the_plan_cannot_be_slid_past_its_limits(practice: int) -> None:
    test = run_page("page_plan", practice)
    assert not test.exception
    assert [s.max for s in test.slider] == [100, 100]
    full = [m.value for m in test.metric]
    test.slider[1].set_value(20).run()
    less = [m.value for m in test.metric]
    watts = [float(values[2].split()[0]) for values in (full, less)]
    assert 0 < watts[1] <= 0.25 * watts[0]
    button(test, "Note this plan").click().run()
    plan = shared.store().job_file(practice).plans[-1]
    assert plan.rail == "VSYS"
    assert f"{plan.data['set_v']:g} V" == less[0]


def test_the_plan_begins_with_the_rail_that_reads_short(bench_store: Path) -> None:
    job = open_practice_job(shared.store(), shared.drafts(), seed=33)  # 3V3, the second rail
    test = run_page("page_plan", job)
    assert test.selectbox[0].value == "3V3"
    button(test, "Note this plan").click().run()
    live = run_page("page_live", job)
    assert live.selectbox[0].value == "3V3"


def test_a_connected_battery_refuses_the_plan(practice: int) -> None:
    test = run_page("page_plan", practice)
    test.checkbox[0].check().run()
    assert "No injection" in test.error[0].value
    assert not [b for b in test.button if b.label == "Note this plan"]


def test_live_opens_the_practice_camera_and_closes_it(practice: int) -> None:
    test = run_page("page_live", practice)
    assert not test.exception
    button(test, "Open camera").click().run()
    assert not test.exception
    view = shared.desk().view
    assert view is not None
    assert view.case.rail == "VSYS"
    labels = [b.label for b in test.button]
    assert labels.index("Cold baseline") < labels.index("Output on")
    assert button(test, "Output on").disabled  # no baseline yet
    assert button(test, "Save evidence").disabled
    button(test, "Close camera").click().run()
    assert shared.desk().view is None


def test_an_address_that_may_not_be_opened_is_one_line(practice: int) -> None:
    test = run_page("page_live", practice)
    test.segmented_control[0].set_value("network address").run()
    test.text_input[0].input("file:///etc/passwd").run()
    button(test, "Open camera").click().run()
    assert "may be opened" in test.error[0].value
    assert shared.desk().view is None


def test_the_job_is_closed_and_its_report_offered(practice: int) -> None:
    test = run_page("page_hand_over", practice)
    button(test, "Close job").click().run()
    assert "no outcome chosen" in test.error[0].value
    test.text_input[0].input("replaced C8 10 µF").run()
    button(test, "Note it").click().run()
    assert shared.store().job_file(practice).actions[-1].ref == "C8"
    test.segmented_control[0].set_value("repaired").run()
    button(test, "Close job").click().run()
    job = shared.store().job(practice)
    assert (job.status, job.outcome) == (Status.CLOSED, Outcome.REPAIRED)
    button(test, "Open again").click().run()
    assert shared.store().job(practice).status is Status.OPEN


def test_each_page_says_what_to_do_next(practice: int) -> None:
    file = shared.store().job_file(practice)
    assert find_next(file).stage is Stage.PLAN
    assert Stage.READINGS in find_done(file)
    empty = shared.store().new_job(customer="K-1")
    assert find_next(shared.store().job_file(empty.id)).stage is Stage.BOARD


def test_practice_tells_the_score_only_after_the_call(practice: int) -> None:
    truth = "C8"
    test = run_page("page_verify", practice)
    assert not test.exception
    assert not [m for m in test.markdown if "points" in m.value]
    finding = run_page("page_finding", practice)
    assert not finding.exception
    from hotspot.jobs.intake import parse_action

    shared.store().add(practice, [parse_action(f"removed {truth}")])
    test = run_page("page_verify", practice)
    assert "60 of 100" in next(m.value for m in test.markdown if "points" in m.value)
    assert shared.drafts().load(practice)[SEED] == SEED_USED


def test_an_analysis_that_ends_while_the_page_is_drawn_is_not_missed(
    practice: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Ending:
        """Ends when first asked, its finding already kept: nobody will call the page again."""

        problem = ""
        asked = 0

        def is_alive(self) -> bool:
            self.asked += 1
            if self.asked == 1:
                found = FindingEntry("cannot tell", {"verdict": "cannot tell", "suspects": []})
                shared.store().add(practice, [found])
            return False

    work = Ending()
    monkeypatch.setattr(shared.works(), "of", lambda store, job: work)
    test = run_page("page_finding", practice)
    assert not test.exception
    assert work.asked > 0
    assert "### Cannot tell" in [m.value for m in test.markdown]


def test_a_can_over_the_rail_is_offered_and_no_part_is_named(bench_store: Path) -> None:
    job = open_practice_job(shared.store(), shared.drafts(), seed=7)  # VRF, under SH1
    number = shared.store().add(job, [RecordingEntry("one", rail="VRF")])[0]
    data = {"verdict": "cannot tell", "suspects": [], "headline": "Cannot tell"}
    shared.store().add(job, [FindingEntry("cannot tell", data, recording_id=number)])
    test = run_page("page_finding", job)
    assert any("record again" in m.value for m in test.markdown)  # not: take the suspect off
    button(test, "SH1 lifted").click().run()
    assert not test.exception
    file = shared.store().job_file(job)
    assert [(a.kind, a.ref) for a in file.actions] == [(ActionKind.NOTE, "")]
    assert shared.drafts().load(job)[CANS] == ["SH1"]


def test_no_hot_spot_says_on_the_page_what_it_rules_out(bench_store: Path) -> None:
    job = open_practice_job(shared.store(), shared.drafts(), seed=7)
    number = shared.store().add(job, [RecordingEntry("one", rail="VRF")])[0]
    limit = "A short of about 1.0 mW or more would have been seen nine times in ten (30 mK)."
    data = {"verdict": "no hot spot", "suspects": [], "headline": "No hot spot", "limit": limit}
    shared.store().add(job, [FindingEntry("no hot spot", data, recording_id=number)])
    test = run_page("page_finding", job)
    assert not test.exception
    assert any("1.0 mW" in caption.value for caption in test.caption)


def test_a_job_without_a_board_goes_on_to_the_readings_and_a_real_camera(bench_store: Path) -> None:
    job = shared.store().new_job(customer="K-1").id
    board = run_page("page_board", job)
    assert button(board, "Go on without")
    readings = run_page("page_readings", job)
    assert any("Measure the rails" in m.value for m in readings.markdown)
    live = run_page("page_live", job)
    assert live.segmented_control[0].value == "USB camera"
