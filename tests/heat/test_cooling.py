"""A place that cools from the first frame on is told from one that warms with the output."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.heat.calm import CalmBins
from hotspot.heat.cooling import is_cooling
from tests.heat.test_movers import COLS, ONSET_S, ROWS, SPOT_XY, T_S, fitted, scene

AT = np.array(SPOT_XY, dtype=float)


def with_course(calm_bins: CalmBins, course: np.ndarray, *, width_px: float = 2.0) -> CalmBins:
    """Return bins with a spot of this course (bins,) added."""
    y, x = np.mgrid[:ROWS, :COLS]
    spot = np.exp(-0.5 * ((x - AT[0]) ** 2 + (y - AT[1]) ** 2) / width_px**2).reshape(-1)
    values = calm_bins.bins.values + np.outer(course, spot).astype(np.float32)
    return replace(calm_bins, bins=replace(calm_bins.bins, values=values))


def told(calm_bins: CalmBins) -> bool:
    return is_cooling(fitted(calm_bins), calm_bins, xy_px=AT)


WARMING = 1 - np.exp(-np.maximum(T_S - ONSET_S, 0) / 6.0)


@pytest.mark.parametrize("height_k", [0.5, 1.0, 4.0, 40.0])
@pytest.mark.parametrize("seed", range(3))
def test_what_warms_with_the_output_does_not_cool(seed: int, height_k: float) -> None:
    assert not told(with_course(scene(seed)[0], height_k * WARMING))


@pytest.mark.parametrize("tau_s", [8.0, 20.0, 60.0])
@pytest.mark.parametrize("sign", [-1, 1])
def test_what_decays_from_the_first_frame_on_does(tau_s: float, sign: int) -> None:
    decay = sign * 3.0 * np.exp(-T_S / tau_s)
    assert told(with_course(scene(4)[0], decay))


def test_a_part_that_cools_from_before_and_warms_again_is_warm() -> None:
    both = 3.0 * np.exp(-T_S / 20.0) + 9.0 * WARMING
    assert not told(with_course(scene(5)[0], both))


@pytest.mark.parametrize("seed", range(6, 12))
def test_noise_does_not_cool(seed: int) -> None:
    assert not told(scene(seed)[0])


def test_a_place_that_is_all_bad_says_nothing() -> None:
    calm_bins = with_course(scene(4)[0], 3.0 * np.exp(-T_S / 20.0))
    fit = fitted(calm_bins)
    everywhere = replace(calm_bins, bad=np.ones((ROWS, COLS), bool))
    assert not is_cooling(fit, everywhere, xy_px=AT)
