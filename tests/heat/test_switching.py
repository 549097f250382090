"""Switching found in frames that nobody logged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2, norm

from hotspot.heat.audit import audit_frames
from hotspot.heat.calm import calm
from hotspot.heat.courses import build_courses
from hotspot.heat.drive import drive_from_edges
from hotspot.heat.gather import gather_bins
from hotspot.heat.proposals import Proposal
from hotspot.heat.search import TRIALS, _as_deviate, _best_lines, calibrated
from hotspot.heat.switching import SwitchingEstimate, propose_switchings
from hotspot.heat.values import value_converter
from hotspot.line import cold_picture
from tests.heat.made_frames import COUNT_C, Made, celsius, lumped, recording, spot, times
from tests.heat.test_fit import calmed

MADE = Made(rows=40, cols=52, seconds=40.0, xy_px=(30.2, 17.4), tau_s=1.5)


def estimated(made: Made, places: np.ndarray | None = None) -> SwitchingEstimate:
    calm_bins, _ = calmed(made)
    return propose_switchings(calm_bins, places=places)[0]


def test_a_step_is_found_to_a_fraction_of_a_second() -> None:
    found = estimated(replace(MADE, edges_s=(13.0,), peak_k=0.2))
    assert found.switching.source == "estimated"
    assert found.switching.onset_s == pytest.approx(13.0, abs=0.3)
    assert found.switching.significance < 1e-6
    assert found.switching.period_s is None
    assert found.trials >= 1


def test_on_and_off_again_is_found() -> None:
    found = estimated(replace(MADE, edges_s=(11.0, 24.0), peak_k=0.2))
    assert len(found.switching.edges_s) == 2
    np.testing.assert_allclose(found.switching.edges_s, (11.0, 24.0), atol=0.5)


def test_a_train_switched_by_hand_is_found_below_the_noise_of_a_frame() -> None:
    rng = np.random.default_rng(61)
    edges = 6.0 + np.arange(12) * 2.6 + rng.normal(0, 0.15, 12)
    made = replace(MADE, edges_s=tuple(edges), peak_k=0.04, noise_k=0.05, tau_s=0.8)
    found = estimated(made)
    assert found.switching.period_s == pytest.approx(5.2, rel=0.04)
    assert found.switching.significance < 1e-2  # without known places, WIDE_HANDICAP included
    # Each time at which it went on lies near one that was found.
    ons, seen = edges[::2], np.array(found.switching.edges_s[::2])
    miss = np.abs(ons[:, None] - seen[None]).min(axis=1)
    assert np.median(miss) < 0.6


def test_known_places_need_less_signal() -> None:
    made = replace(MADE, edges_s=(13.0, 26.0), peak_k=0.022, noise_k=0.05, drift_k=0.0, seed=4)
    picture_wide = estimated(made)
    places = np.array([made.xy_px, (8.0, 9.0), (14.0, 30.0)])
    at_places = estimated(made, places)
    assert at_places.switching.significance <= picture_wide.switching.significance
    np.testing.assert_allclose(at_places.switching.edges_s, (13.0, 26.0), atol=1.5)


def test_steps_at_different_places_are_all_proposed() -> None:
    """Three places warm at different times: none hides another."""
    made = replace(MADE, edges_s=(13.0,), peak_k=0.05, drift_k=0.0)
    others = [
        replace(made, edges_s=(onset_s,), xy_px=xy_px)
        for onset_s, xy_px in ((19.0, (44.0, 6.0)), (26.0, (12.0, 29.0)))
    ]
    heated = celsius(made)
    for other in others:
        warm = other.peak_k * lumped(times(other), other.edges_s, other.tau_s)
        heated += warm[:, None, None] * spot(other)
    frames = np.round((heated + 20.0) / COUNT_C).astype(np.uint16)
    source = recording(made, frames)
    to_values = value_converter(source)
    audit = audit_frames(source, to_values=to_values)
    bins = gather_bins(source, audit, to_values=to_values)
    calm_bins = calm(bins, cold=cold_picture(bins, onset_s=10.0), bad=audit.bad)
    places = np.array([made.xy_px, *(other.xy_px for other in others), (6.0, 6.0)])
    onsets = [p.switching.onset_s for p in propose_switchings(calm_bins, places=places)]
    for onset_s in (13.0, 19.0, 26.0):
        assert min(abs(found - onset_s) for found in onsets if found is not None) < 1.0, onsets


@pytest.mark.parametrize("seed", range(6))
def test_nothing_switched_is_nothing_found(seed: int) -> None:
    found = estimated(replace(MADE, edges_s=(), peak_k=0.0, seed=100 + seed))
    assert found.switching.edges_s == ()
    assert found.switching.onset_s is None
    assert len(found.drive.t_s) == 0


def test_filters_at_the_border_are_no_noisier_than_others() -> None:
    """Where the border cuts a filter, noise must not look like heat."""
    calm_bins, _ = calmed(replace(MADE, edges_s=(), peak_k=0.0, drift_k=0.0))
    rows, cols = calm_bins.bad.shape
    x, y = np.meshgrid(np.arange(cols), np.arange(rows))
    at = np.stack([x.reshape(-1), y.reshape(-1)], axis=1).astype(float)
    courses = build_courses(
        calm_bins.bins,
        bad=calm_bins.bad,
        places=at,
        place_cov_px2=np.broadcast_to(np.eye(2), (len(at), 2, 2)),
        emissivity=None,
    )
    near = courses.normalised(0).std(axis=0).reshape(rows, cols)
    border = np.concatenate([near[0], near[-1], near[:, 0], near[:, -1]])
    assert border.mean() == pytest.approx(near[8:-8, 8:-8].mean(), rel=0.06)
    corners = near[[0, 0, -1, -1], [0, -1, 0, -1]]
    assert corners.mean() < 1.2 * near[8:-8, 8:-8].mean()


def test_several_lines_are_as_rare_as_chi_squared_says() -> None:
    """Against scipy's chi-squared with two degrees of freedom a line."""
    power = np.array([1.0, 4.0, 12.0, 60.0])
    for lines in (1, 3):
        expected = norm.isf(chi2.sf(power, 2 * lines))
        np.testing.assert_allclose(_as_deviate(power, lines=lines), expected, atol=1e-6)


def test_lines_are_heard_together_where_that_is_rarer() -> None:
    """A hand that keeps no time spreads its energy over neighbouring lines; a clock does not."""
    power = np.zeros((24, 1, 2), np.float32)
    power[[3, 6, 9], 0, 0] = 12.0
    power[6, 0, 1] = 36.0
    best = _best_lines(power)
    expected = norm.isf([chi2.sf(36, 6), chi2.sf(36, 2)])
    np.testing.assert_allclose(best.z, expected, atol=1e-3)
    assert best.option[:, 0].tolist() == [6, 6]


def test_a_hand_that_keeps_no_time_is_followed() -> None:
    rng = np.random.default_rng(8)
    cycles = 4.0 * (1 + 0.12 * rng.standard_normal(14))
    on = 3.0 + np.cumsum(cycles)
    edges = tuple(float(t) for pair in zip(on, on + 2.0, strict=True) for t in pair)
    made = replace(MADE, seconds=70.0, edges_s=edges, peak_k=0.04, tau_s=0.6)
    found = estimated(made)
    assert len(found.switching.edges_s) >= 20
    assert found.switching.period_s == pytest.approx(4.0, rel=0.1)
    heard = found.drive.lowpass(times(made), tau_s=0.6)
    truth = drive_from_edges(edges).lowpass(times(made), tau_s=0.6)
    assert np.corrcoef(heard, truth)[0, 1] > 0.65


def test_a_short_is_proposed_beside_a_part_that_surely_wanders() -> None:
    """What is sure beyond doubt may be a metal part that mirrors the room."""
    edges = tuple(float(t) for t in np.arange(4.0, 64.0, 2.5))
    made = replace(MADE, seconds=70.0, edges_s=edges, peak_k=0.12, tau_s=0.6)
    wandering = replace(made, xy_px=(12.0, 30.0))
    t_s = times(made)
    course = 0.4 * np.sin(2 * np.pi * t_s / 24.0)
    seen = celsius(made) + course[:, None, None] * spot(wandering)
    given = recording(made, np.round((seen + 20.0) / COUNT_C).astype(np.uint16))
    to_values = value_converter(given)
    audit = audit_frames(given, to_values=to_values)
    bins = gather_bins(given, audit, to_values=to_values)
    calm_bins = calm(bins, cold=cold_picture(bins, onset_s=3.0), bad=audit.bad)
    places = np.array([made.xy_px, wandering.xy_px])
    proposed = propose_switchings(calm_bins, places=places)
    assert proposed[0].switching.significance < 1e-9
    periods = [p.switching.period_s for p in proposed if p.switching.period_s is not None]
    assert any(p == pytest.approx(5.0, rel=0.05) for p in periods)
    # ... which is not what is surest.
    assert proposed[0].switching.period_s != pytest.approx(5.0, rel=0.05)


def test_however_sure_another_is_the_hottest_place_is_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Where strong heat warms the whole board, other places are sure of steps that none made."""
    sure = Proposal(chance=1e-8, edges_s=(8.0,), trials=4.0)
    monkeypatch.setattr("hotspot.heat.switching.find_proposals", lambda seen, **_: [sure])
    edges_s = (6.0, 12.0, 18.0, 23.5, 31.5, 37.0, 42.0, 46.5, 50.0, 55.0)
    made = replace(MADE, seconds=60.0, edges_s=edges_s, peak_k=1.0, tau_s=0.7)
    calm_bins, _ = calmed(made)
    proposed = propose_switchings(calm_bins, places=np.array([made.xy_px, (8.0, 9.0)]))
    np.testing.assert_allclose(proposed[0].switching.edges_s, made.edges_s, atol=0.3)
    assert any(p.switching.edges_s == sure.edges_s for p in proposed)


def test_where_every_place_is_hot_the_search_is_still_calibrated() -> None:
    """The normal tail beyond 38 sigma is 0 in double precision."""
    hot = calibrated(np.linspace(60.0, 200.0, 50))
    assert TRIALS[0] <= hot.trials <= TRIALS[1]
    assert hot.chance(10.0, places=20) < 1
