"""Heat that reaches all of a small picture is found by what its loudest place does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.heat.audit import audit_frames
from hotspot.heat.calm import CalmBins, at_rest, calm
from hotspot.heat.gather import gather_bins
from hotspot.heat.looks import see_at, see_everywhere
from hotspot.heat.proposals import HEARD, LOUD, LOUD_AT_REST, find_loudest, find_proposals
from hotspot.heat.switching import BELIEVE, WIDE_HANDICAP, propose_switchings
from hotspot.heat.values import value_converter
from hotspot.line import cold_picture
from tests.heat.made_frames import COUNT_C, Made, celsius, lumped, recording, spot, times
from tests.heat.test_mirror import mirrored_hand

MADE = Made(
    rows=36, cols=48, seconds=60.0, xy_px=(26.2, 17.4), peak_k=0.0, drift_k=0.1, logged=False
)


def calmed(made: Made, frames_c: np.ndarray) -> CalmBins:
    source = recording(made, np.round((frames_c + 20.0) / COUNT_C).astype(np.uint16))
    to_values = value_converter(source)
    audit = audit_frames(source, to_values=to_values)
    bins = gather_bins(source, audit, to_values=to_values)
    return calm(bins, cold=cold_picture(bins, onset_s=None), bad=audit.bad)


def spreading(made: Made, *, edges_s: tuple[float, ...], rise_k: float) -> np.ndarray:
    """Frames (n, rows, cols): a part and, later and weaker, all of the board around it."""
    y, x = np.mgrid[: made.rows, : made.cols]
    far = np.hypot(x - made.xy_px[0], y - made.xy_px[1])
    out = celsius(made)
    # Copper spreads heat so: the farther, the slower and the weaker.
    for reach_px, tau_s, share in ((2.0, 0.8, 1.0), (8.0, 3.0, 0.35), (25.0, 9.0, 0.15)):
        course = lumped(times(made), edges_s, tau_s)
        out += rise_k * share * course[:, None, None] * np.exp(-0.5 * (far / reach_px) ** 2)
    return out


TRAIN_S = tuple(6.0 + 4.0 * i for i in range(12))


@pytest.mark.parametrize("rise_k", [0.3, 1.0, 8.0])
def test_a_train_whose_heat_reaches_all_of_a_small_board_is_found(rise_k: float) -> None:
    """Every place is warm: none is left to tell what noise does."""
    calm_bins = calmed(MADE, spreading(MADE, edges_s=TRAIN_S, rise_k=rise_k))
    seen = see_everywhere(calm_bins)
    assert find_proposals(seen, handicap=WIDE_HANDICAP, most=1, limit=BELIEVE) == []
    found = propose_switchings(calm_bins)[0].switching
    assert found.period_s == pytest.approx(8.0, rel=0.02)
    np.testing.assert_allclose(found.edges_s, TRAIN_S, atol=0.5)
    assert found.significance < 1e-6


def test_noise_is_not_loud() -> None:
    for seed in range(3):
        seen = see_everywhere(calmed(MADE, celsius(replace(MADE, seed=seed))))
        assert seen.loudness.max() < HEARD / 2
        assert find_loudest(seen) == []


@pytest.mark.parametrize("peak_k", [1.0, 5.0])
def test_a_hand_in_the_metal_is_loud_and_keeps_no_time(peak_k: float) -> None:
    made = replace(MADE, rows=64, cols=88, seconds=24.0)
    seen = see_everywhere(calmed(made, celsius(made) + mirrored_hand(made, peak_k=peak_k)))
    # Several places as loud as a train's heat, and none beyond LOUD: otherwise this shows nothing.
    assert HEARD < seen.loudness.max() < LOUD
    assert find_loudest(seen) == []


def test_beyond_loud_a_step_is_believed_as_well() -> None:
    made = replace(MADE, rows=60, cols=80, noise_k=0.01)
    warm = 3.0 * lumped(times(made), (20.0, 41.0), 1.5)
    heated = celsius(made) + warm[:, None, None] * spot(made)
    seen = see_everywhere(calmed(made, heated))
    assert seen.loudness.max() > LOUD
    steps = [p for p in find_loudest(seen) if len(p.edges_s) == 2]
    assert steps
    for step in steps:
        np.testing.assert_allclose(step.edges_s, (20.0, 41.0), atol=0.5)
        assert step.chance < 1e-6


def under_a_hand(made: Made, *, hand_k: float) -> tuple[CalmBins, np.ndarray]:
    """Bins in which what a hand does over time is known, and places all over the picture."""
    hand = mirrored_hand(made, peak_k=hand_k)
    warm = made.peak_k * lumped(times(made), (7.0, 17.0), 0.4)
    heated = celsius(replace(made, peak_k=0.0)) + hand + warm[:, None, None] * spot(made)
    calm_bins = calmed(made, heated)
    at = np.searchsorted(times(made), calm_bins.bins.t_s).clip(0, len(hand) - 1)
    courses = np.linalg.svd(hand[at].reshape(len(at), -1), full_matrices=False)[0][:, :8]
    x, y = np.meshgrid(np.arange(8, made.cols - 4, 8.0), np.arange(8, made.rows - 4, 8.0))
    places = np.concatenate([[made.xy_px], np.stack([x.ravel(), y.ravel()], axis=1)])
    return replace(calm_bins, movers=courses), places


def loudest_at_rest(calm_bins: CalmBins, places: np.ndarray) -> float:
    cov = np.broadcast_to(np.eye(2), (len(places), 2, 2))
    seen = see_at(at_rest(calm_bins), places=places, cov_px2=cov, emissivity=None, mm_per_px=None)
    return float(seen.loudness.max())


@pytest.mark.parametrize("hand_k", [5.0, 10.0])
def test_strong_heat_under_a_hand_is_found_once_the_hand_is_taken_out(hand_k: float) -> None:
    made = replace(MADE, rows=64, cols=88, seconds=24.0, peak_k=3.0)
    calm_bins, places = under_a_hand(made, hand_k=hand_k)
    assert loudest_at_rest(calm_bins, places) > LOUD_AT_REST
    found = propose_switchings(calm_bins, places=places)[0].switching
    np.testing.assert_allclose(found.edges_s, (7.0, 17.0), atol=0.3)
    assert found.significance < 1e-6


@pytest.mark.parametrize("hand_k", [1.0, 5.0, 10.0])
def test_what_a_hand_leaves_when_it_is_taken_out_is_not_loud(hand_k: float) -> None:
    made = replace(MADE, rows=64, cols=88, seconds=24.0)
    calm_bins, places = under_a_hand(made, hand_k=hand_k)
    assert loudest_at_rest(calm_bins, places) < LOUD_AT_REST
    found = propose_switchings(calm_bins, places=places)
    assert all(e.switching.significance > 1e-4 for e in found)
