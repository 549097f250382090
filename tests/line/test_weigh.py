"""Path or fault, and evidence that saturates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.board import Board, Kind, Part, Rail, Role
from hotspot.locate.centre import Centre
from hotspot.locate.field import inner
from hotspot.locate.parts import PartScore, Place
from hotspot.locate.places import places_on_picture
from hotspot.locate.spots import FoundSpot
from hotspot.nearby import (
    HEAT_REACH_MM,
    ONE_SPOT_PX,
    chance_where,
    far_parts,
    parts_of_others,
    without_others,
)
from hotspot.register.registration import PlaneMap, Registration
from hotspot.suspects import Prior, build_priors
from hotspot.weigh import (
    MODEL_ERROR,
    SECOND_SPOT,
    elsewhere_evidence,
    path_probability,
    tempered,
    weigh,
)
from tests.locate.white_field import gaussian, scored, white_field

SHAPE = (50, 67)
PRIORS = (
    Prior(role=Role.SHUNT, weight=0.45),
    Prior(role=Role.SHUNT, weight=0.45),
    Prior(role=Role.SERIES, weight=0.05),
)


def scores(*logs: float, inside: tuple[bool, ...] = (True, True, True)) -> tuple[PartScore, ...]:
    return tuple(
        PartScore(log_evidence=v, snr=0.0, inside=i) for v, i in zip(logs, inside, strict=True)
    )


def test_a_spot_on_the_coil_is_path_and_one_on_a_capacitor_is_not() -> None:
    assert path_probability(PRIORS, scores=scores(2, 1, 40), elsewhere=5) > 0.99
    assert path_probability(PRIORS, scores=scores(40, 1, 2), elsewhere=5) < 0.01


def test_a_spot_that_nothing_explains_is_not_path() -> None:
    assert path_probability(PRIORS, scores=scores(1, 1, 3), elsewhere=30) < 0.01


def test_without_a_series_part_in_the_picture_there_is_no_path() -> None:
    unseen = scores(2, 1, 40, inside=(True, True, False))
    assert path_probability(PRIORS, scores=unseen, elsewhere=5) == 0.0
    assert path_probability(PRIORS[:2], scores=scores(2, 1, 0)[:2], elsewhere=5) == 0.0


def test_a_coil_that_another_spot_is_at_is_not_this_ones() -> None:
    """A short hotter than the coil far from it: the coil's own heat is still in the picture."""
    corners = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    places = tuple(
        Place(
            ref=ref,
            xy_px=np.array(xy),
            cov_px2=np.eye(2),
            outline_px=np.array(xy) + half_px * corners,
        )
        for ref, xy, half_px in (("C1", (200.0, 24.0), 1.2), ("L1", (189.0, 112.0), 6.0))
    )
    spots = [np.array([201.0, 24.0]), np.array([190.0, 111.0])]
    assert parts_of_others(places, centres_px=spots, own=0) == {1}
    assert parts_of_others(places, centres_px=spots, own=1) == {0}
    # A crumb of the coil's spot on the other side of it is the coil's as well.
    assert parts_of_others(places, centres_px=[spots[1], np.array([186.0, 114.0])], own=0) == set()
    assert parts_of_others((), centres_px=spots, own=0) == set()
    hot = scores(20, 1, 18)
    crowd = (replace(PRIORS[0], weight=0.02), PRIORS[1], PRIORS[2])
    assert path_probability(crowd, scores=hot, elsewhere=5) > 0.5
    assert path_probability(crowd, scores=hot, elsewhere=5, beside=frozenset({2})) == 0.0


def test_a_coil_far_from_a_spot_does_not_explain_it() -> None:
    """What a hotter coil's description leaves over is as strong at a bead as the short's spot."""
    corners = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    places = tuple(
        Place(ref=ref, xy_px=np.array(at), cov_px2=np.eye(2), outline_px=np.array(at) + corners)
        for ref, at in (("C1", (40.0, 24.0)), ("C2", (30.0, 30.0)), ("FB1", (66.0, 24.0)))
    )
    radius, around = float(np.sqrt(2)), (0.0, 0.0, 4.0)
    reach = radius + 4.0 + ONE_SPOT_PX

    def far(x: float) -> frozenset[int]:
        return far_parts(places, xy_px=np.array([x, 24.0]), around_px=around)

    assert 2 in far(66.0 - reach - 0.1)
    assert 2 not in far(66.0 - reach + 0.1)
    as_strong = scores(100, 98, 101)
    crowd = (replace(PRIORS[0], weight=0.05), PRIORS[1], PRIORS[2])
    assert path_probability(crowd, scores=as_strong, elsewhere=95) > 0.5
    assert path_probability(crowd, scores=as_strong, elsewhere=95, far=far(40.0)) < 0.05


def test_a_coil_whose_own_spot_is_known_hardly_explains_a_second_one() -> None:
    """Evidence e³ greater at the capacitor beside it: twenty parts cost as much, the coil's one."""
    beside = scores(3, -20, 0)
    crowd = (replace(PRIORS[0], weight=0.02), PRIORS[1], PRIORS[2])
    alone = path_probability(crowd, scores=beside, elsewhere=-20)
    assert alone > 0.5
    again = path_probability(crowd, scores=beside, elsewhere=-20, taken=frozenset({2}))
    assert again < 0.3
    odds = (alone / (1 - alone)) / (again / (1 - again))
    assert odds == pytest.approx(1 / SECOND_SPOT)
    # Another part's spot takes nothing from this one.
    assert path_probability(crowd, scores=beside, elsewhere=-20, taken=frozenset({1})) == alone


def test_places_on_a_strong_spot_are_told_apart_no_better_than_its_shape_is_known() -> None:
    # 15 % of a spot of SNR 300 are 45 sigma: what two places leave over is divided by 1 + 45².
    z = scored(white_field(300 * gaussian(SHAPE, (33, 24), 1.5)[None]), sigma_px=1.5)
    snr = float(z.z.max())
    got = tempered(z, snr).z.astype(float)
    for x in (34, 35):
        left_over = snr**2 - float(z.z[0, 24, x]) ** 2
        share = (got.max() ** 2 - got[0, 24, x] ** 2) / left_over
        assert share == pytest.approx(1 / (1 + (MODEL_ERROR * snr) ** 2), rel=0.4)
    assert (np.diff(got[0, 24, 33:45]) <= 1e-6).all()


@pytest.mark.parametrize("snr", [3.0, 6.0, 40.0])
def test_no_error_of_its_shape_explains_a_spot_away(snr: float) -> None:
    z = scored(white_field(snr * gaussian(SHAPE, (33, 24), 1.5)[None]), sigma_px=1.5)
    found = float(z.z.max())
    got = tempered(z, found)
    assert float(got.z.max()) == pytest.approx(found)
    # In nats: all the spot has, or more than any prior makes up for.
    lost = 0.5 * (found**2 - float(got.z[0, 5, 5]) ** 2)
    assert lost > min(0.45 * found**2, 100.0)


def test_a_weak_spot_between_two_places_is_tempered_less_than_a_strong_one() -> None:
    z = scored(white_field(5 * gaussian(SHAPE, (33, 24), 1.5)[None]), sigma_px=1.5)
    weak = float(z.z.max())
    left_over = weak**2 - float(z.z[0, 24, 35]) ** 2
    got = tempered(z, weak).z.astype(float)
    share = (got.max() ** 2 - got[0, 24, 35] ** 2) / left_over
    assert 1 / (1 + (MODEL_ERROR * weak) ** 2) < share < 1


def test_elsewhere_is_the_mean_likelihood_over_the_picture() -> None:
    field = white_field(np.zeros((1, *SHAPE)))
    flat = scored(field, sigma_px=1.5)
    assert elsewhere_evidence(flat, field) == pytest.approx(0.0, abs=1e-9)
    one = scored(white_field(6 * gaussian(SHAPE, (33, 24), 1.5)[None]), sigma_px=1.5)
    z = one.z[0][inner(field.bad)].astype(float)
    by_hand = np.log(np.mean(np.exp(0.5 * np.maximum(z, 0) ** 2)))
    assert elsewhere_evidence(one, field) == pytest.approx(by_hand, rel=1e-5)


def test_only_a_part_that_can_fail_and_is_where_the_heat_is_speaks_for_the_rail() -> None:
    corners = np.array([(-2.0, -1.0), (2.0, -1.0), (2.0, 1.0), (-2.0, 1.0)])
    places = tuple(
        Place(ref=ref, xy_px=np.array(at), cov_px2=np.eye(2), outline_px=np.array(at) + corners)
        for ref, at in (("C1", (20.0, 20.0)), ("C2", (120.0, 20.0)), ("L1", (24.0, 20.0)))
    )
    chances = np.array([0.2, 0.6, 0.15])

    def chance(near_px: np.ndarray | None, mm_per_px: float | None = 0.2) -> float:
        return chance_where(
            chances, priors=PRIORS, places=places, near_px=near_px, mm_per_px=mm_per_px
        )

    assert chance(np.array([22.0, 21.0])) == 0.2
    assert chance(np.array([118.0, 21.0])) == 0.6
    assert chance(np.array([300.0, 21.0])) == 0.0
    assert chance(None) == 0.6
    # The reach is one of the board, not of the picture.
    near = np.array([120.0 - 0.9 * HEAT_REACH_MM / 0.2, 20.0])
    assert chance(near) == 0.6
    assert chance(near, 0.4) == 0.0
    assert chance(near, None) == 0.0

    # Heat that speaks against the map is any part's, but where it is.
    def anywhere(near_px: np.ndarray) -> float:
        return chance_where(
            np.array([0.2, 0.6, 0.9]), priors=None, places=places, near_px=near_px, mm_per_px=0.2
        )

    assert anywhere(np.array([22.0, 21.0])) == 0.9
    assert anywhere(np.array([118.0, 21.0])) == 0.6


def test_what_another_spot_is_at_says_nothing_against_this_ones_part() -> None:
    """Two shorts about as warm share the probability between them, but not their places."""
    chances = np.array([0.72, 0.27, 0.005])
    own = without_others(chances, others=frozenset({1}))
    np.testing.assert_allclose(own, np.array([0.72, 0.0, 0.005]) / 0.73)
    # Something else stays as likely against the part as it was.
    assert (1 - own.sum()) / own[0] == pytest.approx((1 - chances.sum()) / chances[0])
    np.testing.assert_array_equal(without_others(chances, others=frozenset()), chances)


@pytest.mark.parametrize("at_the_part", [True, False])
def test_a_part_that_another_spot_is_at_is_not_where_this_one_is(at_the_part: bool) -> None:
    """The strongest is on no part; the likeliest part is forty pixels from it, and warm as well."""
    strongest = (46.0, 30.0) if at_the_part else (12.0, 14.0)
    other = (12.0, 14.0) if at_the_part else (46.0, 30.0)
    part = Part("C1", Kind.CAPACITOR, "0402", 46.0, 30.0, 3.0, 1.5, nets=("3V3", "GND"))
    board = Board(name="made", parts=(part,), rails=(Rail("3V3", 3.3),), units="mm")
    registration = Registration(board_from_thermal=PlaneMap(np.eye(3), 1e-4 * np.eye(8)))
    maps = [height * gaussian(SHAPE, at, 1.5) for height, at in ((400, strongest), (385, other))]
    field = white_field((maps[0] + maps[1])[None])
    found = tuple(
        FoundSpot(
            centre=Centre(np.array(at), 0.04 * np.eye(2), snr=snr, template=0),
            false_alarm=0.0,
            scores=scored(white_field(picture[None]), sigma_px=1.5),
        )
        for at, snr, picture in (
            (strongest, 1060.0, maps[0] + maps[1]),
            (other, 1020.0, maps[1]),
        )
    )
    weighed = weigh(
        found,
        board=board,
        rail="3V3",
        places=places_on_picture(board, registration),
        priors=build_priors(board, rail="3V3"),
        registration=registration,
        field=field,
        rest=scored(white_field(np.zeros((1, *SHAPE))), sigma_px=1.5),
        peak_k=lambda spot: 1.0,
        mm_per_px=0.1,  # both within the reach of heat
    )
    # In either case it is the likeliest part; what counts is whether this spot is there.
    assert weighed.suspects[0].ref == "C1"
    assert (weighed.on_any > 0.9) == at_the_part
    np.testing.assert_allclose(weighed.spots[0].xy_px, strongest, atol=0.3)
