"""Measured rise against the plan: the power that reached the spot."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotspot.errors import InputError
from hotspot.frame import SwitchLog
from hotspot.inject.circuit import Leads, Loop
from hotspot.inject.confront import (
    AGREES,
    IMPOSSIBLE,
    LESS,
    MORE,
    UNKNOWN,
    confront,
    confront_finding,
    confrontation_to_dict,
)
from hotspot.inject.heating import (
    SOURCE_LOG,
    SOURCE_PLAN,
    Heating,
    heated_rise_k,
    measure_heating,
)
from hotspot.inject.limits import RailCase
from hotspot.inject.packages import PACKAGES
from hotspot.inject.plan import plan_injection
from hotspot.inject.prediction import Plate, Scenery, Viewing, apparent_rise_k

PLAN = plan_injection(RailCase(0.9, 0.05), scenery=Scenery(package=PACKAGES["0402"]))
SAMPLES = Path(__file__).resolve().parents[2] / "sample_frames"


def switch_log(rows: list[tuple[float, int, float, float]]) -> SwitchLog:
    table = np.array(rows, dtype=float)
    return SwitchLog(table[:, 0], table[:, 1] > 0, table[:, 2], table[:, 3])


def heating(volts: float | None = None) -> Heating:
    planned = measure_heating(None, PLAN)
    return Heating(10.0, planned.volts if volts is None else volts, planned.amps, SOURCE_PLAN)


def predicted_k() -> float:
    seen = apparent_rise_k(PLAN.scenery, t_s=np.array([10.0]), power_w=PLAN.point.fault_w)
    return float(seen[0])


@pytest.mark.parametrize(
    ("factor", "verdict", "words"),
    [(1.0, AGREES, "As predicted"), (1.8, AGREES, "As predicted"), (0.1, LESS, "buried"),
     (0.0, LESS, "only about 0"), (2.5, MORE, "path"), (50.0, IMPOSSIBLE, "more than possible")],
)  # fmt: skip
def test_verdict_and_sentence(factor: float, verdict: str, words: str) -> None:
    result = confront(PLAN, measured_k=factor * predicted_k(), heating=heating())
    assert result.verdict == verdict
    assert words.lower() in result.sentence.lower()
    assert result.spot_w == pytest.approx(factor * PLAN.point.fault_w, rel=1e-6)
    assert result.fault_w == pytest.approx(PLAN.point.fault_w, rel=1e-6)
    assert result.spot_low_w <= result.spot_w <= result.spot_high_w


def test_the_log_says_duration_and_power() -> None:
    log = switch_log(
        [(0, 0, 0, 0), (5, 1, math.nan, math.nan), (5.1, 1, 0.1, 1.0), (6, 1, 0.12, 1.0),
         (9, 1, 0.12, 1.0), (15, 0, math.nan, math.nan)]
    )  # fmt: skip
    found = measure_heating(log, PLAN)
    assert (found.duration_s, found.volts, found.amps) == (10.0, 0.12, 1.0)
    assert found.source == SOURCE_LOG
    assert found.changes == ((15.0, 0.0), (10.0, 1.0))


def test_all_pulses_of_a_train_count() -> None:
    rows = [(float(t), int(t % 10 < 5), 0.1, 1.0) for t in range(0, 60)]
    found = measure_heating(switch_log(rows), PLAN)
    assert found.duration_s == pytest.approx(5.0)
    assert [age for age, _ in found.changes] == [55.0 - t for t in range(0, 55, 5)]
    assert [share for _, share in found.changes] == [1.0, -1.0] * 5 + [1.0]
    one = Heating(5.0, found.volts, found.amps, SOURCE_LOG)
    train_k, pulse_k = (heated_rise_k(PLAN.scenery, x) for x in (found, one))
    assert train_k > 1.04 * pulse_k  # the board keeps what the earlier pulses left


def test_the_last_step_of_a_ladder_speaks_for_itself() -> None:
    """Readings at 0.5 s, 1 % meter noise; the steps before add a little of their heat."""
    rng = np.random.default_rng(2)
    rows = [(0.0, 0, math.nan, math.nan)]
    for step, amps in enumerate((0.1, 0.25, 0.5, 1.0)):
        start = 5.0 + 10.0 * step
        rows.append((start, 1, math.nan, math.nan))
        rows += [
            (start + 0.1 + 0.5 * i, 1, 0.12 * amps, amps * (1 + 0.01 * rng.standard_normal()))
            for i in range(19)
        ]
    rows.append((45.0, 0, math.nan, math.nan))
    found = measure_heating(switch_log(rows), PLAN)
    assert (found.volts, found.amps) == pytest.approx((0.12, 1.0), rel=0.01)
    assert found.duration_s == pytest.approx(40.0)
    wanted = sum(
        (now**2 - last**2) * float(apparent_rise_k(PLAN.scenery, t_s=np.array([age]))[0])
        for now, last, age in ((0.1, 0.0, 40), (0.25, 0.1, 30), (0.5, 0.25, 20), (1.0, 0.5, 10))
    )
    assert heated_rise_k(PLAN.scenery, found) == pytest.approx(wanted, rel=0.02)


@given(
    gaps=st.lists(st.floats(0.01, 30.0), min_size=1, max_size=12),
    amps=st.lists(st.floats(0.0, 3.0) | st.just(math.nan), min_size=12, max_size=12),
    on=st.lists(st.booleans(), min_size=12, max_size=12),
)
def test_any_log_gives_a_heating_that_can_be_compared(gaps, amps, on) -> None:
    times = np.cumsum(gaps)
    rows = list(zip(times, on, np.full(12, 0.2), amps, strict=False))
    found = confront(PLAN, measured_k=0.1, heating=measure_heating(switch_log(rows), PLAN))
    assert math.isfinite(found.predicted_k)
    assert found.sentence


def test_a_log_without_values_or_an_end_leans_on_the_plan() -> None:
    found = measure_heating(
        switch_log([(0, 0, math.nan, math.nan), (5, 1, math.nan, math.nan)]), PLAN
    )
    assert found.source == SOURCE_PLAN
    assert found.duration_s == PLAN.ladder[-1].hold_s
    assert found.amps == PLAN.point.amps


def test_no_spot_is_no_comparison_and_display_video_has_no_power() -> None:
    assert confront_finding(PLAN, {"spots": []}, log=None) is None
    found = confront_finding(PLAN, {"spots": [{"peak_delta_k": 3.0}]}, log=None, unit="relative")
    assert found is not None
    assert found.verdict == UNKNOWN
    assert confrontation_to_dict(found)["spot_power_w"] is None
    json.dumps(confrontation_to_dict(found), allow_nan=False)


@pytest.mark.parametrize("bad", [{}, {"spots": [{}]}, {"spots": [{"peak_delta_k": None}]}, [], 3])
def test_what_is_no_finding_is_said(bad: object) -> None:
    with pytest.raises(InputError, match="not a finding"):
        confront_finding(PLAN, bad, log=None)  # type: ignore[arg-type]


def test_a_refused_plan_cannot_be_confronted() -> None:
    with pytest.raises(ValueError, match="plan must not be refused"):
        confront(plan_injection(RailCase(None, 1.0)), measured_k=1.0, heating=heating())


@pytest.mark.parametrize("name", ["step", "series"])
def test_the_practice_physics_agree_within_the_stated_factor(name: str) -> None:
    """Another model (cells, lumps, optics) makes the rise; the closed form must find its power."""
    truth = json.loads((SAMPLES / name / "truth.json").read_text())
    watts = truth["power_w"][truth["fault"]]
    scale = np.array(truth["thermal_from_board"])[:2, :2]
    view = Viewing(mm_per_px=1 / math.sqrt(abs(np.linalg.det(scale))))
    scenery = Scenery(plate=Plate(thickness_mm=1.6), package=PACKAGES["0402"], view=view)
    loop = Loop(Leads(measured_ohm=0.0))
    plan = plan_injection(RailCase(3.3, 0.2), scenery=scenery, loop=loop)
    held = Heating(10.0, watts / truth["amps"], truth["amps"], SOURCE_LOG)
    result = confront(plan, measured_k=truth["peak_rise_k"], heating=held)
    assert result.fault_w == pytest.approx(watts)
    assert 0.5 < result.spot_w / watts < 2.0
