"""A narrow spot at a part beside a path that warms the board: found where it is, and only there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import k0

from hotspot.hidden import with_hidden
from hotspot.locate.centre import Centre
from hotspot.locate.field import Field
from hotspot.locate.parts import Place
from hotspot.locate.separate import Describer
from hotspot.locate.sharp import LEAST_LEAD, LEAST_SNR, REACH_PX, find_sharp
from hotspot.locate.spots import FoundSpot
from tests.locate.white_field import gaussian, scored, white_field

SHAPE = (72, 96)
WIDTH = 1.3
PATH = np.array([20.0, 30.0])
PARTS = tuple(
    np.array([x, y]) for y in (14.0, 30.0, 47.0, 61.0) for x in (34.0, 46.0, 58.0, 70.0, 82.0)
)
# Closer to the path than to any edge, as parts beside a coil are.
SHORTED = 6


def place(ref: str, xy: np.ndarray) -> Place:
    corners = xy + np.array([[-1.0, -0.6], [1.0, -0.6], [1.0, 0.6], [-1.0, 0.6]])
    return Place(ref=ref, xy_px=xy, cov_px2=0.04 * np.eye(2), outline_px=corners)


PLACES = tuple(place(f"C{i + 1}", xy) for i, xy in enumerate(PARTS))


def board_about(path: np.ndarray, *, length_px: float) -> np.ndarray:
    """Steady rise of a plate that loses heat to the air, about a disc of 5 px.

    K0(r / L) is the Green's function (Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed.,
    ch. 10; from memory): no sum of Gaussians.
    """
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    r = np.maximum(np.hypot(x - path[0], y - path[1]), 5.0)
    return k0(r / length_px) / k0(5.0 / length_px)


def seen(*, path: float, short: float, seed: int = 1, bodies: np.ndarray | float = 1.0) -> Field:
    rng = np.random.default_rng(seed)
    rise = path * board_about(PATH, length_px=25.0)
    rise = rise + short * gaussian(SHAPE, tuple(PARTS[SHORTED]), WIDTH)
    return white_field((bodies * rise + rng.standard_normal(SHAPE))[None])


def sharp_in(field: Field):  # type: ignore[no-untyped-def]
    describer = Describer(bad=field.bad, sigma_px=WIDTH)
    course = np.ones(len(field.maps))
    return find_sharp(field, places=PLACES, path_px=(PATH,), course=course, describer=describer)


def test_without_a_path_in_the_way_the_snr_is_nearly_that_of_a_known_shape() -> None:
    """SNR of a known shape in white noise: root of its energy (Kay, vol. 2, ch. 4)."""
    height = 12.0
    known = height * np.sqrt(np.sum(gaussian(SHAPE, tuple(PARTS[SHORTED]), WIDTH) ** 2))
    snrs = []
    for seed in range(12):
        found = sharp_in(seen(path=0.0, short=height, seed=seed))
        assert found is not None
        assert found.place == SHORTED
        snrs.append(found.snr)
    # What is smooth explains a part of any spot, and of its own peak a share counts as leftover.
    assert 0.6 * known < np.mean(snrs) < known
    assert np.std(snrs) < 2.0


@pytest.mark.parametrize("path", [100.0, 400.0])
def test_a_spot_that_doubles_what_the_path_makes_of_its_part_is_found(path: float) -> None:
    for seed in range(4):
        found = sharp_in(seen(path=path, short=0.4 * path, seed=seed))
        assert found is not None
        assert found.place == SHORTED
        assert found.snr >= LEAST_SNR


@pytest.mark.parametrize("path", [0.0, 30.0, 400.0, 3000.0])
def test_a_path_alone_leaves_nothing_sharp(path: float) -> None:
    for seed in range(6):
        assert sharp_in(seen(path=path, short=0.0, seed=seed)) is None


@pytest.mark.parametrize("path", [100.0, 1000.0])
def test_bodies_that_show_a_tenth_more_or_less_are_no_spots(path: float) -> None:
    rng = np.random.default_rng(9)
    for seed in range(6):
        bodies = np.ones(SHAPE)
        for xy in PARTS:
            x, y = int(xy[0]), int(xy[1])
            bodies[y - 1 : y + 2, x - 2 : x + 3] += rng.uniform(-0.1, 0.1)
        assert sharp_in(seen(path=path, short=0.0, seed=seed, bodies=bodies)) is None


def test_what_cools_is_no_spot() -> None:
    assert sharp_in(seen(path=100.0, short=-40.0)) is None


def test_of_two_alike_none_is_told() -> None:
    field = seen(path=100.0, short=40.0)
    other = 44.0 * gaussian(SHAPE, tuple(PARTS[10]), WIDTH)  # about as far from the path
    assert LEAST_LEAD > 1
    assert sharp_in(replace(field, maps=field.maps + np.float32(other))) is None


@pytest.mark.parametrize("own_pace", [False, True])
def test_what_follows_the_board_about_it_is_its_emissivity(own_pace: bool) -> None:
    """A body that shows half as much again as the mask does so in each contrast."""
    field = seen(path=100.0, short=0.0)
    slow = 100.0 * board_about(PATH, length_px=25.0)
    spot = gaussian(SHAPE, tuple(PARTS[SHORTED]), WIDTH)
    here = slow[30, 46] * np.array([1.0, 0.5]) / 2
    rng = np.random.default_rng(3)
    amount = np.array([here[1], -here[0]]) if own_pace else here
    maps = np.stack([slow, 0.5 * slow]) + amount[:, None, None] * spot
    two = replace(field, maps=(maps + rng.standard_normal((2, *SHAPE))).astype(np.float32))
    course = np.array([1.0, -1.0])  # in which both are warm in the end
    found = find_sharp(
        two,
        places=PLACES,
        path_px=(PATH,),
        course=course,
        describer=Describer(bad=field.bad, sigma_px=WIDTH),
    )
    assert (found is not None) == own_pace
    if found is not None:
        assert found.place == SHORTED


def test_without_parts_in_the_picture_there_is_nothing_to_ask() -> None:
    field = seen(path=100.0, short=40.0)
    describer = Describer(bad=field.bad, sigma_px=WIDTH)
    outside = (place("C99", np.array([-30.0, 200.0])),)
    for places in ((), outside):
        given = {"path_px": (PATH,), "course": np.ones(1), "describer": describer}
        assert find_sharp(field, places=places, **given) is None


@pytest.mark.parametrize("reach_px", [4.0, 40.0])
def test_a_part_that_shows_nothing_of_its_heat_is_not_named(reach_px: float) -> None:
    """Bare metal, or beside the board's edge: no shape is left to look for."""
    field = seen(path=100.0, short=60.0)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    dark = np.hypot(x - PARTS[SHORTED][0], y - PARTS[SHORTED][1]) < reach_px
    describer = Describer(
        bad=field.bad, sigma_px=WIDTH, emissivity=np.where(dark, 0.0, 1.0).astype(np.float32)
    )
    found = find_sharp(
        field, places=PLACES, path_px=(PATH,), course=np.ones(1), describer=describer
    )
    assert found is None or found.place != SHORTED


def test_the_picture_that_is_left_holds_the_spot_alone() -> None:
    found = sharp_in(seen(path=100.0, short=30.0))
    assert found is not None
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    far = np.hypot(*(np.stack([x, y]) - PARTS[SHORTED][:, None, None])) > REACH_PX + 0.5
    left = found.field.maps[0]
    assert np.all(left[far] == 0)
    row, column = np.unravel_index(np.argmax(left), SHAPE)
    assert np.hypot(column - PARTS[SHORTED][0], row - PARTS[SHORTED][1]) < 1.5
    beside = ~far & (np.hypot(x - PARTS[SHORTED][0], y - PARTS[SHORTED][1]) > 5)
    assert left[beside].std() < 1.3


def found_spot(field: Field, xy: np.ndarray, snr: float) -> FoundSpot:
    centre = Centre(xy_px=xy, cov_px2=0.04 * np.eye(2), snr=snr, template=0)
    return FoundSpot(centre=centre, false_alarm=0.0, scores=scored(field, sigma_px=WIDTH))


@pytest.mark.parametrize(("roles", "count"), [(["path"], 2), (["unknown"], 0), (["fault"], 0)])
def test_the_hidden_spot_joins_the_path(roles: list[str], count: int) -> None:
    field = seen(path=100.0, short=30.0)
    path = found_spot(field, PATH, 900.0)
    joined = with_hidden(
        (path,),
        roles=roles,
        field=field,
        places=PLACES,
        course=np.ones(1),
        describer=Describer(bad=field.bad, sigma_px=WIDTH),
        rescore=lambda f: scored(f, sigma_px=WIDTH),
        trials=1.0,
    )
    assert len(joined) == count
    if count:
        assert joined[0] is path
        sharp = sharp_in(field)
        assert sharp is not None
        np.testing.assert_allclose(joined[1].centre.xy_px, PARTS[SHORTED], atol=0.5)
        # No surer than what it explains beside all that is smooth.
        assert joined[1].centre.snr <= 1.001 * sharp.snr
        assert joined[1].false_alarm < 1e-20
