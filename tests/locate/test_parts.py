"""What the picture says about parts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from hotspot.locate.parts import WITHIN_BODY, Place, part_false_alarm, sample, score_parts
from hotspot.locate.places import outline_at
from tests.locate.white_field import gaussian, scored, white_field

SHAPE = (50, 67)


def place(ref: str, x: float, y: float, *, half: tuple[float, float] = (1.5, 0.8)) -> Place:
    w, h = half
    corners = np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) + np.array([x, y])
    return Place(ref=ref, xy_px=np.array([x, y]), cov_px2=0.2**2 * np.eye(2), outline_px=corners)


def test_the_part_under_the_spot_has_the_evidence() -> None:
    rng = np.random.default_rng(111)
    maps = 4 * gaussian(SHAPE, (33.0, 24.0), 1.5) + rng.standard_normal(SHAPE)
    scores = scored(white_field(maps[None]), sigma_px=1.5)
    places = (place("C1", 33, 24), place("C2", 45, 24), place("C3", 33, 40), place("C4", -3, 9))
    seen = score_parts(scores, places=places)
    assert seen[0].log_evidence > seen[1].log_evidence + 20
    assert seen[0].log_evidence > seen[2].log_evidence + 20
    assert seen[0].snr == pytest.approx(4 * np.sqrt(np.pi) * 1.5, abs=3)
    assert [s.inside for s in seen] == [True, True, True, False]
    assert seen[3].log_evidence == 0.0


def test_a_cold_part_speaks_against_itself_by_no_more_than_nothing() -> None:
    scores = scored(white_field(-5 * gaussian(SHAPE, (33, 24), 1.5)[None]), sigma_px=1.5)
    assert score_parts(scores, places=(place("C1", 33, 24),))[0].log_evidence == pytest.approx(
        0.0, abs=1e-6
    )


def test_samples_between_pixels_are_bilinear() -> None:
    rng = np.random.default_rng(112)
    stack = rng.standard_normal((2, 9, 13)).astype(np.float32)
    got = sample(stack, np.array([[3.25, 4.5]]))
    a = stack[:, 4:6, 3:5].astype(float)
    by_hand = 0.5 * (0.75 * a[:, 0, 0] + 0.25 * a[:, 0, 1] + 0.75 * a[:, 1, 0] + 0.25 * a[:, 1, 1])
    np.testing.assert_allclose(got[:, 0], by_hand, rtol=1e-5)


def test_where_heat_may_be_centred_grows_with_the_body() -> None:
    small, large = place("C1", 9, 9), place("U1", 9, 9, half=(10, 6))
    assert large.spread_px2()[0, 0] == pytest.approx(0.04 + (WITHIN_BODY * 20.0) ** 2)
    assert small.spread_px2()[0, 0] < large.spread_px2()[0, 0]


def test_chance_of_a_few_places_is_sidaks() -> None:
    one = norm.sf(4.0)
    assert part_false_alarm(4.0, parts=12, trials=1.0) == pytest.approx(
        1 - (1 - one) ** (12 * 5), rel=1e-6
    )
    assert part_false_alarm(4.0, parts=12, trials=90.0) > part_false_alarm(
        4.0, parts=12, trials=1.0
    )


def test_the_smallest_body_under_a_point_is_its_outline() -> None:
    big, small = place("U1", 30, 20, half=(12, 9)), place("C1", 33, 22)
    assert outline_at((big, small), np.array([33.2, 22.1])) is small.outline_px
    assert outline_at((big, small), np.array([24.0, 15.0])) is big.outline_px
    assert outline_at((big, small), np.array([5.0, 5.0])) is None


@pytest.mark.parametrize("half", [(1.5, 0.8), (6.0, 4.0), (14.0, 9.0)])
@pytest.mark.parametrize("off_sigmas", [(0.0, 0.0), (0.7, -0.4), (1.9, 1.3), (-2.4, 0.3)])
def test_the_evidence_is_the_integral_over_the_place(
    half: tuple[float, float], off_sigmas: tuple[float, float]
) -> None:
    """Against Monte Carlo: the mean likelihood ratio over 200,000 places drawn from the density."""
    # A registration as uncertain as the body is large: then the density has its tails.
    far = max(half)
    where = replace(place("U1", 33.3, 24.6, half=(0.1, 0.1)), cov_px2=(0.3 * far) ** 2 * np.eye(2))
    root = np.linalg.cholesky(where.spread_px2() + 0.05**2 * np.eye(2))
    centre = where.xy_px + root @ np.array(off_sigmas)
    maps = 1.2 * gaussian(SHAPE, (float(centre[0]), float(centre[1])), 1.5)
    scores = scored(white_field(maps[None]), sigma_px=1.5)
    rng = np.random.default_rng(113)
    drawn = where.xy_px + rng.standard_normal((200_000, 2)) @ root.T
    ratio = np.mean(np.exp(0.5 * np.maximum(sample(scores.z, drawn), 0.0) ** 2), axis=0)
    seen = score_parts(scores, places=(where,))[0]
    # A factor of 1.5: the coarsest lattice, and what lies beyond 3.2 sigma.
    assert abs(seen.log_evidence - np.log(ratio.mean())) < np.log(1.5)


def test_a_spot_anywhere_on_a_large_chip_speaks_for_it_alike() -> None:
    """Between the points of a coarse grid as much as on them."""
    where = place("U1", 33.0, 24.0, half=(14.0, 9.0))
    found = []
    for dx in np.arange(0, 3.0, 0.5):
        maps = 2.3 * gaussian(SHAPE, (33.0 + dx, 24.0), 1.5)  # SNR 6
        scores = scored(white_field(maps[None]), sigma_px=1.5)
        found.append(score_parts(scores, places=(where,))[0].log_evidence)
    assert np.ptp(found) < 1.0


def test_a_sharp_spot_counts_for_a_chip_as_much_as_for_the_picture() -> None:
    """Optics of half a pixel: the same spot in a picture of chip's size and in the picture."""
    where = place("U1", 33.0, 24.0, half=(5.5, 4.1))
    maps = 7 * gaussian(SHAPE, (31.0, 25.0), 0.5)
    scores = scored(white_field(maps[None]), sigma_px=0.5)
    ratio = np.exp(0.5 * np.maximum(scores.z[0].astype(float), 0.0) ** 2)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    apart = np.stack([x, y], axis=-1) - where.xy_px
    spread = where.spread_px2() + 0.05**2 * np.eye(2)
    density = np.exp(-0.5 * np.einsum("yxi,ij,yxj->yx", apart, np.linalg.inv(spread), apart))
    # The body ends: what lies beyond 1.8 sigma (a little more for the registration) is not its own.
    density[density < np.exp(-0.5 * 1.9**2)] = 0.0
    by_pixels = np.log((ratio * density).sum() / density.sum())
    seen = score_parts(scores, places=(where,))[0].log_evidence
    assert seen == pytest.approx(by_pixels, abs=0.1)


def test_a_spot_well_beyond_a_body_is_not_the_bodys() -> None:
    """A coil's tail must not claim the capacitor beside it, well placed as both are."""
    coil, beside = place("L1", 25.0, 24.0, half=(6.0, 6.0)), place("C1", 37.0, 24.0)
    maps = 2.3 * gaussian(SHAPE, (37.0, 24.0), 1.5)
    scores = scored(white_field(maps[None]), sigma_px=1.5)
    coil_score, own = score_parts(scores, places=(coil, beside), within=(0.45, WITHIN_BODY))
    assert own.log_evidence > coil_score.log_evidence + 5
