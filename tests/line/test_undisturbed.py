"""Moments at which something passed before the mirrors are left out, but not the switching."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot import undisturbed
from hotspot.heat.calm import CalmBins
from hotspot.heat.mirror import Mirror
from hotspot.undisturbed import find_heat
from tests.line.test_find import demo_board, simulated
from tests.line.test_switched import line_of

ONSET_S, DURATION_S = 8.0, 40.0


@pytest.mark.parametrize(
    ("passed_s", "left_out"), [((0.0, 17.0), False), ((20.0, 30.0), True), ((0.0, 3.0), True)]
)
def test_without_a_log_moments_that_hold_the_switching_are_kept(
    monkeypatch: pytest.MonkeyPatch, passed_s: tuple[float, float], left_out: bool
) -> None:
    """A hand that switches by hand passes over the board when it does."""
    made = simulated("C18", amps=0.6, edges_s=(ONSET_S,), logged=False, duration_s=DURATION_S)
    line = line_of(made.recording, demo_board())

    def undisturbed_bins(calm_bins: CalmBins, _: Mirror, **how: bool) -> np.ndarray:
        t_s = calm_bins.bins.t_s
        return (t_s < passed_s[0]) | (t_s > passed_s[1])

    def lively(*_: object, bad: np.ndarray) -> Mirror:
        return Mirror(np.ones(bad.shape, np.float32), lively=True)

    monkeypatch.setattr(undisturbed, "find_undisturbed_bins", undisturbed_bins)
    monkeypatch.setattr(undisturbed, "build_mirror", lively)
    heated = find_heat(line)
    assert heated.left_out_s == pytest.approx(np.diff(passed_s)[0] if left_out else 0.0, abs=1.5)
    assert heated.estimate.switching.onset_s == pytest.approx(ONSET_S, abs=0.6)


def test_with_a_log_what_is_left_must_hear_the_heat(monkeypatch: pytest.MonkeyPatch) -> None:
    made = simulated("C18", amps=0.6, edges_s=(ONSET_S,), logged=True, duration_s=DURATION_S)
    line = line_of(made.recording, demo_board())
    monkeypatch.setattr(
        undisturbed,
        "find_undisturbed_bins",
        lambda calm_bins, _, **how: calm_bins.bins.t_s > 12.0,
    )
    monkeypatch.setattr(
        undisturbed,
        "build_mirror",
        lambda *_, bad: Mirror(np.ones(bad.shape, np.float32), lively=True),
    )
    assert find_heat(line).left_out_s == 0.0


@pytest.mark.parametrize("logged", [True, False])
def test_strong_heat_that_passed_for_a_disturbance_is_not_left_out(
    monkeypatch: pytest.MonkeyPatch, logged: bool
) -> None:
    """Strictly only what is warm is left, which tells nothing; leniently only the hand goes."""
    made = simulated("C18", amps=0.6, edges_s=(ONSET_S,), logged=logged, duration_s=DURATION_S)
    line = line_of(made.recording, demo_board())

    def undisturbed_bins(calm_bins: CalmBins, _: Mirror, *, leniently: bool = False) -> np.ndarray:
        t_s = calm_bins.bins.t_s
        hand = (t_s > 20.0) & (t_s < 25.0)
        return ~hand if leniently else ~hand & (t_s > 14.0)

    monkeypatch.setattr(undisturbed, "find_undisturbed_bins", undisturbed_bins)
    monkeypatch.setattr(
        undisturbed,
        "build_mirror",
        lambda *_, bad: Mirror(np.ones(bad.shape, np.float32), lively=True),
    )
    heated = find_heat(line)
    assert heated.left_out_s == pytest.approx(5.0, abs=1.0)
    assert heated.estimate.switching.onset_s == pytest.approx(ONSET_S, abs=0.6)


@pytest.mark.parametrize("strong", [True, False])
def test_of_strong_heat_a_tenth_that_is_undisturbed_is_enough(
    monkeypatch: pytest.MonkeyPatch, strong: bool
) -> None:
    """From 5 s to 36 s a hand: what is left has an eighth of the energy, a third of the SNR."""
    made = simulated("C18", amps=0.6, edges_s=(ONSET_S,), logged=True, duration_s=DURATION_S)
    line = replace(line_of(made.recording, demo_board()), doubted=True)
    monkeypatch.setattr(
        undisturbed,
        "find_undisturbed_bins",
        lambda calm_bins, _, **how: (calm_bins.bins.t_s < 5.0) | (calm_bins.bins.t_s > 36.0),
    )
    monkeypatch.setattr(
        undisturbed,
        "build_mirror",
        lambda *_, bad: Mirror(np.ones(bad.shape, np.float32), lively=True, beside_heat=strong),
    )
    assert (find_heat(line).left_out_s > 20.0) == strong
