"""Large frames on half the grid: the same places, the same noise, nothing bad spread about."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.coarse import Coarse, coarse_factor
from hotspot.find import find
from hotspot.finding import HOT_SPOT
from hotspot.heat.bins import BinSums
from hotspot.register.registration import PlaneMap, Registration
from tests.heat.made_frames import Made, recording
from tests.locate.white_field import gaussian

FULL = (61, 85)  # odd on both sides


def coarse(bad: np.ndarray | None = None) -> Coarse:
    return Coarse(2, full_shape=FULL, bad=np.zeros(FULL, bool) if bad is None else bad)


def test_only_large_frames_are_reduced() -> None:
    assert coarse_factor((192, 256)) == 1
    assert coarse_factor((256, 320)) == 1
    assert coarse_factor((512, 640)) == 2


def test_a_block_is_the_mean_of_its_good_pixels() -> None:
    rng = np.random.default_rng(1)
    picture = rng.normal(25, 1, FULL).astype(np.float32)
    bad = np.zeros(FULL, bool)
    bad[10, 20] = True
    bad[30:32, 40:42] = True
    spoilt = np.where(bad, np.float32(1e6), picture)
    small = coarse(bad).reduced(spoilt)
    assert small.shape == (30, 42)
    expected = picture[:60, :84].reshape(30, 2, 42, 2).mean(axis=(1, 3))
    expected[5, 10] = (picture[10, 21] + picture[11, 20] + picture[11, 21]) / 3
    keep = np.ones((30, 42), bool)
    keep[15, 20] = False  # no good pixel
    np.testing.assert_allclose(small[keep], expected[keep], rtol=1e-5)
    np.testing.assert_array_equal(coarse(bad).reduced_bad(), ~keep)


def test_a_point_keeps_its_place_on_the_board() -> None:
    to_board = PlaneMap(
        matrix=np.array([[0.2, 0.01, -3.0], [-0.02, 0.21, 4.0], [1e-5, 2e-5, 1.0]]),
        parameter_cov=np.zeros((8, 8)),
    )
    small = coarse().reduced_registration(replace(Registration(), board_from_thermal=to_board))
    assert small.board_from_thermal is not None
    # Centre of block (column 7, row 3): full pixels 14.5 and 6.5.
    np.testing.assert_allclose(
        small.board_from_thermal.map(np.array([7.0, 3.0])), to_board.map(np.array([14.5, 6.5]))
    )


def test_bins_are_reduced_with_their_noise() -> None:
    rng = np.random.default_rng(2)
    sums = BinSums(FULL)
    for i in range(300):
        sums.add(rng.normal(25, 0.1, FULL).astype(np.float32), t_s=i / 25)
    full = sums.result()
    small = coarse().reduced_bins(full)
    assert small.shape == (30, 42)
    assert np.median(small.noise) == pytest.approx(0.05, rel=0.03)
    assert small.values.std() == pytest.approx(full.values.std() / 2, rel=0.05)


@pytest.mark.slow
def test_a_spot_in_a_large_frame_is_found_where_it_is() -> None:
    made = Made(
        rows=352, cols=400, seconds=14.0, xy_px=(231.3, 118.6), sigma_px=2.4, edges_s=(5.0,)
    )
    source = recording(made)
    finding = find(source)
    assert finding.verdict == HOT_SPOT
    np.testing.assert_allclose(finding.spots[0].xy_px, made.xy_px, atol=0.6)
    assert finding.heat.rise_k.shape == (352, 400)
    row, column = np.unravel_index(np.argmax(finding.heat.rise_k), (352, 400))
    assert np.hypot(column - 231.3, row - 118.6) < 4
    assert gaussian((352, 400), made.xy_px, 2.4).argmax() == 119 * 400 + 231
