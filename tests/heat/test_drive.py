"""The drive, its integral and its low-pass, against general-purpose integrators."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp
from scipy.signal import lfilter

from hotspot.frame import SwitchLog
from hotspot.heat.drive import (
    Drive,
    drive_from_edges,
    drive_from_log,
    period_of,
    switching_from_log,
)


def switch_log(t: list[float], on: list[bool], amps: list[float] | None = None) -> SwitchLog:
    nothing = np.full(len(t), np.nan)
    return SwitchLog(
        t_s=np.array(t),
        on=np.array(on),
        volts=nothing,
        amps=nothing if amps is None else np.array(amps),
    )


@settings(max_examples=8, deadline=None)
@given(
    gaps=st.lists(st.floats(0.05, 8.0), min_size=1, max_size=6),
    levels=st.lists(st.floats(0.0, 1.0), min_size=6, max_size=6),
    tau_s=st.floats(0.2, 30.0),
)
def test_lowpass_is_what_a_solver_of_the_equation_gives(
    gaps: list[float], levels: list[float], tau_s: float
) -> None:
    knots = 1.0 + np.cumsum(gaps)
    drive = Drive(t_s=knots, level=np.array(levels[: len(knots)]))
    times = np.linspace(0, knots[-1] + 10, 57)
    # tau y' = u - y, from knot to knot, so that the solver never steps over an edge.
    state, expected = 0.0, np.zeros_like(times)
    for i, (a, b) in enumerate(pairwise([0.0, *knots, float(times[-1]) + 1e-9])):
        u = 0.0 if i == 0 else drive.level[i - 1]
        inside = (times >= a) & (times < b)
        solved = solve_ivp(
            lambda t, y, u=u: (u - y) / tau_s, (a, b), [state], rtol=1e-8, atol=1e-10,
            t_eval=[*times[inside], b],
        )  # fmt: skip
        expected[inside] = solved.y[0, :-1]
        state = float(solved.y[0, -1])
    np.testing.assert_allclose(drive.lowpass(times, tau_s=tau_s), expected, atol=1e-6)


def test_lowpass_is_what_a_digital_filter_approaches() -> None:
    drive = drive_from_edges((2.0, 5.0, 6.5))
    dt, tau_s = 1e-4, 0.8
    t = np.arange(0, 12, dt)
    u = np.where((t >= 2) & (t < 5) | (t >= 6.5), 1.0, 0.0)
    share = 1 - np.exp(-dt / tau_s)
    filtered = lfilter([0, share], [1, share - 1], u)
    np.testing.assert_allclose(drive.lowpass(t, tau_s=tau_s), filtered, atol=3e-4)


def test_the_integral_is_what_quadrature_gives() -> None:
    drive = Drive(t_s=np.array([1.0, 2.5, 6.0]), level=np.array([0.3, 1.0, 0.1]))
    for end in (0.5, 1.7, 2.5, 4.0, 9.0):
        knots = [k for k in drive.t_s if k < end]
        by_hand, _ = quad(
            lambda t: float(drive.level[np.searchsorted(drive.t_s, t, "right") - 1] * (t >= 1)),
            0, end, points=knots or None,
        )  # fmt: skip
        assert float(drive.integral(np.array([end]))[0]) == pytest.approx(by_hand, abs=1e-9)


def test_heating_goes_with_the_square_of_the_logged_current() -> None:
    drive = drive_from_log(switch_log([0, 4, 9], [False, True, True], [0.0, 0.5, 1.0]))
    np.testing.assert_allclose(drive.level, [0.0, 0.25, 1.0])


def test_without_currents_on_is_on() -> None:
    drive = drive_from_log(switch_log([0, 4, 9], [False, True, False]))
    np.testing.assert_allclose(drive.level, [0.0, 1.0, 0.0])


def test_a_current_that_does_not_flow_heats_nothing() -> None:
    """Output on, but the log shows a thousandth of the current once reached: not a drive."""
    drive = drive_from_log(switch_log([0, 4, 9], [False, True, True], [0.0, 0.0005, 1.0]))
    np.testing.assert_allclose(drive.level, [0.0, 1.0])
    np.testing.assert_allclose(drive.t_s, [0.0, 9.0])


def test_an_empty_log_and_an_empty_drive_are_zero() -> None:
    drive = drive_from_log(switch_log([], []))
    t = np.array([0.0, 1.0])
    np.testing.assert_array_equal(drive.lowpass(t, tau_s=1.0), 0.0)
    np.testing.assert_array_equal(drive.integral(t), 0.0)


def test_switching_of_a_log() -> None:
    seen = switching_from_log(switch_log([0, 4, 6, 8, 10, 12, 14], [False, True] * 3 + [False]))
    assert seen.source == "log"
    assert seen.edges_s == (4.0, 6.0, 8.0, 10.0, 12.0, 14.0)
    assert seen.onset_s == 4.0
    assert seen.period_s == pytest.approx(4.0)


def test_a_step_and_an_uneven_switching_have_no_period() -> None:
    assert period_of((3.0,)) is None
    assert period_of((1, 2, 3, 4, 20, 21)) is None
    assert period_of((1.0, 3.0, 5.2, 7.0, 9.1, 11.0)) == pytest.approx(4.05)


def test_an_entry_without_a_current_takes_the_next_reading() -> None:
    """A driven supply logs the switching first and the reading a moment later."""
    nan = math.nan
    log = switch_log(
        [0.0, 5.0, 5.1, 9.0, 9.1, 15.0, 20.0, 20.1, 25.0],
        [False, True, True, True, True, False, True, True, False],
        [nan, nan, 0.5, nan, 1.0, nan, nan, nan, nan],
    )
    # A stretch without any reading: on and off is all there is.
    assert drive_from_log(log).level.tolist() == [0.0, 1.0, 0.0, 1.0, 0.0]
    known = switch_log(log.t_s[:6].tolist(), log.on[:6].tolist(), log.amps[:6].tolist())
    drive = drive_from_log(known)
    assert drive.t_s.tolist() == [0.0, 5.0, 9.0, 15.0]
    assert drive.level.tolist() == [0.0, 0.25, 1.0, 0.0]
