"""What moves in the board's mirrors is taken out with the picture it shows; heat stays.

The mirrors here are places that the cold picture shows nothing of; the hand is a blurred disc that
wanders over them. Made by construction, with no help of the practice bench.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.find import find
from hotspot.heat.audit import audit_frames
from hotspot.heat.calm import CalmBins
from hotspot.heat.drive import Drive
from hotspot.heat.fit import HeatFit, fit_heat
from hotspot.heat.gather import Gathered, gather_bins
from hotspot.heat.heatmap import Switching
from hotspot.heat.mirror import (
    Mirror,
    build_mirror,
    find_undisturbed_bins,
    something_moved,
    without_mirrored,
)
from hotspot.heat.values import value_converter
from hotspot.line import Line, build_line, switchings_of
from hotspot.outcome import without_drive
from hotspot.reasons import MIRRORED
from tests.heat.made_frames import COUNT_C, Made, celsius, lumped, recording, times

MADE = Made(rows=64, cols=88, xy_px=(61.2, 22.4), peak_k=0.12, seed=4)


def mirrored_hand(made: Made, *, peak_k: float) -> np.ndarray:
    """(n, rows, cols): a disc that comes at 5 s and wanders across, seen in fourteen pads."""
    rng = np.random.default_rng(12)
    mirror = np.zeros((made.rows, made.cols))
    for _ in range(14):
        y, x = rng.integers(2, made.rows - 8), rng.integers(2, made.cols - 8)
        mirror[y : y + rng.integers(3, 6), x : x + rng.integers(3, 6)] = rng.uniform(0.4, 1.0)
    mirror[15:30, 54:69] = 0.0  # none under the short
    y, x = np.mgrid[: made.rows, : made.cols]
    frames = np.zeros((len(times(made)), made.rows, made.cols))
    for frame, t in zip(frames, times(made), strict=True):
        at_x, at_y = 10 + 3.2 * t, 30 + 22 * np.sin(0.7 * t)
        if t > 5:
            frame[:] = mirror * np.exp(-((x - at_x) ** 2 + (y - at_y) ** 2) / (2 * 20.0**2))
    return peak_k * frames


def frames_of(made: Made, *, hand_k: float) -> np.ndarray:
    seen = celsius(made) + mirrored_hand(made, peak_k=hand_k)
    return np.round((seen + 20.0) / COUNT_C).astype(np.uint16)


def line_of(made: Made, seen_c: np.ndarray) -> Line:
    given = recording(made, np.round((seen_c + 20.0) / COUNT_C).astype(np.uint16))
    to_values = value_converter(given)
    audit = audit_frames(given, to_values=to_values)
    bins = gather_bins(given, audit, to_values=to_values)
    return build_line(Gathered(recording=given, audit=audit, bins=bins))


def fitted(made: Made, *, hand_k: float) -> tuple[CalmBins, Drive, np.ndarray, HeatFit]:
    line = line_of(made, celsius(made) + mirrored_hand(made, peak_k=hand_k))
    drive = switchings_of(line)[0].drive
    fit = fit_heat(line.calm_bins, drive, frame_t_s=line.audit.t_s)
    return line.calm_bins, drive, line.audit.t_s, fit


def test_a_hand_shows_the_mirrors_and_goes_with_them() -> None:
    calm_bins, drive, t_s, before = fitted(MADE, hand_k=1.0)
    mirror = build_mirror(before, bad=calm_bins.bad)
    assert mirror is not None
    assert mirror.lively
    truly = mirrored_hand(MADE, peak_k=1.0).max(axis=0) > 0.2
    assert np.mean(mirror.strength[truly] > 0) > 0.8
    assert np.mean(mirror.strength[~truly] > 0) < 0.1
    after = fit_heat(without_mirrored(calm_bins, mirror), drive, frame_t_s=t_s)

    def beyond_noise(fit: HeatFit) -> float:
        power = np.sum(fit.quiet**2, axis=0) - len(fit.quiet)
        return float(power[truly].mean())

    assert beyond_noise(after) < 0.1 * beyond_noise(before)


@pytest.mark.parametrize("peak_k", [0.0, 0.12, 8.0])
def test_without_a_hand_there_is_no_mirror(peak_k: float) -> None:
    calm_bins, _, _, fit = fitted(replace(MADE, peak_k=peak_k), hand_k=0.0)
    mirror = build_mirror(fit, bad=calm_bins.bad)
    # What strong heat leaves beside it may look like one, and is said to be there.
    assert mirror is None or mirror.beside_heat


@pytest.mark.parametrize(
    ("peak_k", "hand_k", "moved"), [(0.0, 0.0, False), (8.0, 0.0, False), (0.0, 6.0, True)]
)
def test_where_no_switching_is_seen_a_hand_rules_nothing_out(
    peak_k: float, hand_k: float, moved: bool
) -> None:
    line = line_of(MADE, celsius(replace(MADE, peak_k=peak_k)) + mirrored_hand(MADE, peak_k=hand_k))
    assert something_moved(line.calm_bins) == moved
    line = replace(line, recording=replace(line.recording, injection=None))
    told = without_drive(line, Switching(source="estimated", significance=1.0))
    assert told.verdict == ("cannot tell" if moved else "no hot spot")
    assert (MIRRORED in told.warnings) == moved


def test_a_short_beside_a_hand_is_found_where_it_is() -> None:
    found = find(recording(MADE, frames_of(MADE, hand_k=1.0)))
    assert found.verdict == "hot spot"
    np.testing.assert_allclose(found.spots[0].xy_px, MADE.xy_px, atol=0.5)


@pytest.mark.parametrize("seed", [4, 5, 6])
def test_a_hand_alone_is_no_hot_spot(seed: int) -> None:
    cold = replace(MADE, peak_k=0.0, seed=seed)
    assert find(recording(cold, frames_of(cold, hand_k=1.0))).verdict != "hot spot"


@pytest.mark.parametrize("gone_s", [(5.0, 14.0), (5.0, 19.0), (9.0, 28.0)])
def test_moments_with_a_hand_are_told_from_those_without(gone_s: tuple[float, float]) -> None:
    """Also where it was there for the greater part: what is usual is then the hand itself."""
    made = replace(MADE, seconds=36.0)
    hand, t_s = mirrored_hand(made, peak_k=1.0), times(made)
    there = (t_s < gone_s[0]) | (t_s >= gone_s[1])
    hand[~there] = 0.0
    line = line_of(made, celsius(made) + hand)
    bins = line.calm_bins.bins
    fit = fit_heat(line.calm_bins, switchings_of(line)[0].drive, frame_t_s=line.audit.t_s)
    mirror = build_mirror(fit, bad=line.calm_bins.bad)
    assert mirror is not None
    kept = find_undisturbed_bins(line.calm_bins, mirror)
    assert kept is not None
    seen_at = bins.binned(np.max(hand, axis=(1, 2))[:, None])[:, 0]
    assert float(seen_at[kept].max()) < 0.1  # K, a tenth of what the hand shows
    assert np.mean(kept[seen_at == 0]) > 0.6


@pytest.mark.parametrize(("hand_k", "kept_some"), [(0.5, False), (6.0, True)])
def test_after_what_surely_was_a_hand_the_metal_need_not_be_quite_still(
    hand_k: float, kept_some: bool
) -> None:
    """Pads that wander a little by themselves, and a hand that passes: a weak one, a strong one."""
    made = replace(MADE, seconds=36.0, peak_k=0.0)
    t_s = times(made)
    hand = mirrored_hand(made, peak_k=1.0)
    pads = hand.max(axis=0)
    hand[(t_s < 5.0) | (t_s >= 14.0)] = 0.0
    wander = 0.1 * np.sin(2 * np.pi * t_s / 11.0)[:, None, None] * pads
    line = line_of(made, celsius(made) + hand_k * hand + wander)
    bins = line.calm_bins.bins
    mirror = Mirror(strength=np.where(pads > 0.2, pads, 0).astype(np.float32), lively=True)
    kept = find_undisturbed_bins(line.calm_bins, mirror)
    assert (kept is not None) == kept_some
    if kept is not None:
        seen_at = bins.binned(np.max(hand, axis=(1, 2))[:, None])[:, 0]
        assert float(seen_at[kept].max()) < 0.1


def test_leniently_metal_that_strong_heat_warms_is_not_disturbed() -> None:
    """Pads near the short change as it warms; the hand shows a hundred times as much."""
    made = replace(MADE, seconds=36.0, peak_k=0.0)
    t_s = times(made)
    hand = mirrored_hand(made, peak_k=1.0)
    pads = hand.max(axis=0)
    hand[(t_s < 20.0) | (t_s >= 24.0)] = 0.0
    warm = 0.4 * lumped(t_s, (9.0,), 0.8)[:, None, None] * pads
    line = line_of(made, celsius(made) + 8.0 * hand + warm)
    bins = line.calm_bins.bins
    mirror = Mirror(strength=np.where(pads > 0.2, pads, 0).astype(np.float32), lively=True)
    strictly = find_undisturbed_bins(line.calm_bins, mirror)
    cold = bins.t_s < 8.5
    assert strictly is None or not strictly[cold].any()
    leniently = find_undisturbed_bins(line.calm_bins, mirror, leniently=True)
    assert leniently is not None
    assert leniently[cold].all()
    seen_at = bins.binned(np.max(hand, axis=(1, 2))[:, None])[:, 0]
    assert float(seen_at[leniently].max()) < 0.1
