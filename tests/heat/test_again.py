"""Moments of switching seen again where it is warm: moved to where they were, or left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.heat.again import seen_again
from hotspot.heat.drive import drive_from_edges
from hotspot.heat.heatmap import Switching
from hotspot.heat.switching import SwitchingEstimate
from tests.heat.made_frames import Made
from tests.heat.test_fit import calmed

MADE = Made(rows=40, cols=52, seconds=50.0, xy_px=(30.2, 17.4), tau_s=1.5, peak_k=0.06)


def guessed(*edges: float) -> SwitchingEstimate:
    switching = Switching(source="estimated", edges_s=edges, onset_s=edges[0], significance=1e-6)
    return SwitchingEstimate(switching=switching, drive=drive_from_edges(edges), trials=7.0)


def again(made: Made, guess: SwitchingEstimate) -> tuple[SwitchingEstimate, ...]:
    calm_bins, _ = calmed(made)
    return seen_again(
        calm_bins,
        guess,
        place=np.array(made.xy_px),
        cov_px2=made.sigma_px**2 * np.eye(2),
        emissivity=None,
        mm_per_px=None,
    )


@pytest.mark.parametrize("truth", [(12.0, 31.0), (9.0, 20.0, 30.0, 41.0)])
def test_edges_are_moved_to_where_they_were(truth: tuple[float, ...]) -> None:
    made = replace(MADE, edges_s=truth, drift_k=0.0)
    off = tuple(t + d for t, d in zip(truth, (-1.5, 2.0, 1.0, -2.0), strict=False))
    moved = again(made, guessed(*off))[0]
    np.testing.assert_allclose(moved.switching.edges_s, truth, atol=0.7)
    assert moved.switching.onset_s == moved.switching.edges_s[0]
    # All else that was known of it stays.
    assert (moved.switching.significance, moved.trials) == (1e-6, 7.0)
    assert moved.drive.t_s[0] == moved.switching.edges_s[0]


def test_pulses_that_were_taken_for_one_are_told_apart() -> None:
    truth = (9.0, 20.0, 30.0, 41.0)
    made = replace(MADE, edges_s=truth, drift_k=0.0, peak_k=0.1)
    found = again(made, guessed(9.0, 41.0))
    best = found[-1].switching.edges_s
    assert len(best) == 4
    np.testing.assert_allclose(best, truth, atol=0.7)


def test_it_comes_to_an_end() -> None:
    made = replace(MADE, edges_s=(12.0, 31.0), drift_k=0.0)
    guess = guessed(11.0, 33.0)
    for _ in range(5):
        found = again(made, guess)
        if not found:
            break
        guess = found[-1]
    assert found == ()
    np.testing.assert_allclose(guess.switching.edges_s, (12.0, 31.0), atol=0.7)
