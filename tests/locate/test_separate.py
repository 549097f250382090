"""Several spots: described together, taken away, nothing left that looks like another."""

from __future__ import annotations

import numpy as np
import pytest

from hotspot.locate.detect import Scores
from hotspot.locate.field import BORDER_PX, Field, inner
from hotspot.locate.separate import LEFTOVER, Describer, take_away
from hotspot.locate.spots import find_spots
from tests.locate.white_field import gaussian, scored, white_field

SHAPE = (60, 83)
WIDTH = 1.4


def found(maps: np.ndarray) -> tuple:
    field = white_field(maps[None])

    def rescore(rest: Field) -> Scores:
        return scored(rest, sigma_px=WIDTH)

    return find_spots(
        field,
        rescore=rescore,
        first=rescore(field),
        limit=0.005,
        trials=1.0,
        describer=Describer(bad=field.bad, sigma_px=WIDTH),
    )[0]


def test_two_overlapping_spots_are_both_found_strongest_first() -> None:
    rng = np.random.default_rng(101)
    maps = 20 * gaussian(SHAPE, (30.2, 25.1), 2.0) + 8 * gaussian(SHAPE, (40.3, 27.6), 1.4)
    spots = found(maps + rng.standard_normal(SHAPE))
    assert len(spots) == 2
    np.testing.assert_allclose(spots[0].centre.xy_px, (30.2, 25.1), atol=0.3)
    np.testing.assert_allclose(spots[1].centre.xy_px, (40.3, 27.6), atol=0.5)
    assert spots[0].centre.snr > spots[1].centre.snr


def test_one_strong_spot_that_is_not_round_leaves_no_second() -> None:
    rng = np.random.default_rng(102)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    body = np.exp(-0.5 * (((x - 40) / 2.2) ** 2 + ((y - 30) / 1.9) ** 2))
    halo = 0.3 * gaussian(SHAPE, (40, 30), 8.0)
    spots = found(60 * (body + halo) + rng.standard_normal(SHAPE))
    assert len(spots) == 1


@pytest.mark.slow
def test_noise_alone_has_no_spots() -> None:
    rng = np.random.default_rng(103)
    assert sum(len(found(rng.standard_normal(SHAPE))) for _ in range(150)) <= 3


def test_the_description_holds_the_spot_and_what_is_left_is_noise() -> None:
    rng = np.random.default_rng(104)
    spot = 30 * gaussian(SHAPE, (41.3, 28.8), 1.9)
    field = white_field((spot + rng.standard_normal(SHAPE))[None])
    xy = np.array([41.3, 28.8])
    described = Describer(bad=field.bad, sigma_px=WIDTH).describe(field, centres=(xy,))
    assert np.abs(described[0].maps[0] - spot).max() < 2.0
    rest = take_away(field, described)
    assert rest.maps[0, 20:38, 30:52].std() < 1.15
    # What is left at the centre counts for less: leftovers are no second spot.
    assert rest.local_sigma[29, 41] == pytest.approx(np.hypot(1, LEFTOVER * 30), rel=0.15)
    assert rest.local_sigma[5, 5] == pytest.approx(1.0, abs=0.05)


def test_descriptions_of_two_spots_share_what_lies_between() -> None:
    a, b = 12 * gaussian(SHAPE, (35, 30), 1.8), 7 * gaussian(SHAPE, (45, 30), 1.8)
    field = white_field((a + b)[None])
    first, second = np.array([35.0, 30.0]), np.array([45.0, 30.0])
    describer = Describer(bad=field.bad, sigma_px=WIDTH)
    one, two = describer.describe(field, centres=(first, second))
    assert np.abs(one.maps[0] + two.maps[0] - a - b).max() < 0.4
    assert one.maps[0, 30, 35] == pytest.approx(12, rel=0.06)
    assert two.maps[0, 30, 45] == pytest.approx(7, rel=0.06)
    # What is kept for the next description changes nothing, nor does the order.
    alone = describer.describe(field, centres=(second,))[0]
    fresh = Describer(bad=field.bad, sigma_px=WIDTH)
    np.testing.assert_allclose(
        alone.maps, fresh.describe(field, centres=(second,))[0].maps, atol=1e-5
    )
    turned = describer.describe(field, centres=(second, first))
    np.testing.assert_allclose(turned[0].maps, two.maps, atol=1e-4)


def test_a_known_body_describes_a_square_spot_better() -> None:
    square = np.zeros(SHAPE)
    square[25:34, 35:48] = 10.0
    outline = np.array([[34.5, 24.5], [47.5, 24.5], [47.5, 33.5], [34.5, 33.5]])
    field = white_field(square[None])
    xy = np.array([41.0, 29.0])
    left = [
        np.abs(
            Describer(bad=field.bad, sigma_px=1.0, outline_at=lambda _, o=o: o)
            .describe(field, centres=(xy,))[0]
            .maps[0]
            - square
        ).sum()
        for o in (None, outline)
    ]
    assert left[1] < 0.7 * left[0]


def test_the_border_and_bad_pixels_hold_no_spot() -> None:
    bad = np.zeros(SHAPE, bool)
    bad[10, 12] = True
    allowed = inner(bad)
    assert not allowed[10, 12]
    assert not allowed[:BORDER_PX].any()
    assert allowed[20, 20]
