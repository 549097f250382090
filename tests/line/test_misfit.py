"""Whether a spot follows the switching or moves at times of its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.doubts import Mirrored
from hotspot.finding import Spot
from hotspot.heat.waves import padded_shape
from hotspot.locate.centre import Centre
from hotspot.locate.field import Field
from hotspot.locate.spots import FoundSpot
from hotspot.reasons import MIRRORED
from hotspot.reflections import (
    FAR_ABOVE_NOISE,
    find_mirrored,
    measure_misfits,
    set_aside,
    warm_ones,
)

ROWS, COLS, SIGNAL, QUIET = 48, 64, 5, 30


def field(*, quiet_share: float, xy_px: tuple[float, float]) -> Field:
    """Noise of unit sigma with a spot: energy 40^2 in step, a share of it out of step."""
    rng = np.random.default_rng(7)
    y, x = np.mgrid[:ROWS, :COLS]
    spot = np.exp(-((x - xy_px[0]) ** 2 + (y - xy_px[1]) ** 2) / (2 * 1.3**2))
    maps = rng.standard_normal((SIGNAL, ROWS, COLS))
    quiet = rng.standard_normal((QUIET, ROWS, COLS))
    maps[0] += 40 * spot
    quiet += 40 * np.sqrt(quiet_share / QUIET) * spot
    rows, cols = padded_shape((ROWS, COLS))
    unit = np.broadcast_to(np.eye(SIGNAL)[:, :, None, None], (SIGNAL, SIGNAL, rows, cols // 2 + 1))
    return Field(
        maps=maps.astype(np.float32),
        quiet=quiet.astype(np.float32),
        local_sigma=np.ones((ROWS, COLS), np.float32),
        quiet_sigma=np.ones((ROWS, COLS), np.float32),
        inverse_noise=unit.astype(np.float32),
        bad=np.zeros((ROWS, COLS), bool),
    )


@pytest.mark.parametrize("xy_px", [(30.2, 20.1), (2.0, 3.0), (COLS - 1.0, ROWS - 1.0)])
@pytest.mark.parametrize("share", [0.0, 0.2, 0.6])
def test_the_share_out_of_step_is_measured_everywhere(
    share: float, xy_px: tuple[float, float]
) -> None:
    found = measure_misfits(field(quiet_share=share, xy_px=xy_px), [np.array(xy_px)])[0]
    assert found == pytest.approx(share, abs=0.06)


def test_scattered_spots_are_counted_where_they_were_seen() -> None:
    """What is known of a part may have moved the strongest to where another is."""
    seen = [(20.0, 20.0), (50.0, 30.0), (12.0, 40.0)]
    spots = tuple(
        Spot(xy_px=np.array(at), cov_px2=np.eye(2), snr=of, peak_k=0.5, role="unknown")
        for at, of in zip(((50.0, 30.0), *seen[1:]), (264.0, 150.0, 120.0), strict=True)
    )
    centres = tuple(np.array(at) for at in seen)
    z = field(quiet_share=0.0, xy_px=(20.0, 20.0))
    assert find_mirrored(z, spots=spots, centres_px=centres).scattered == 3


@pytest.mark.parametrize(("snr", "scattered"), [(90.0, 3), (70.0, 1)])
def test_scattered_spots_are_counted_far_from_the_strongest(snr: float, scattered: int) -> None:
    spots = tuple(
        Spot(xy_px=np.array(at), cov_px2=np.eye(2), snr=of, peak_k=0.5, role="unknown")
        for at, of in (((20.0, 20.0), 264.0), ((25.0, 24.0), 200.0), ((50.0, 30.0), snr),
                       ((12.0, 40.0), snr))
    )  # fmt: skip
    assert (
        find_mirrored(field(quiet_share=0.0, xy_px=(20.0, 20.0)), spots=spots).scattered
        == scattered
    )


def test_spots_out_of_step_are_set_aside() -> None:
    def found(xy_px: tuple[float, float]) -> FoundSpot:
        centre = Centre(xy_px=np.array(xy_px), cov_px2=np.eye(2), snr=20.0, template=0)
        return FoundSpot(centre=centre, false_alarm=0.0, scores=None)  # type: ignore[arg-type]

    moving, still = found((30.2, 20.1)), found((10.0, 35.0))
    seen = field(quiet_share=0.6, xy_px=(30.2, 20.1))
    given = {"field": seen, "logged": True, "moving": False}
    assert set_aside((moving, still), **given) == ((still,), (moving,))
    steady = {**given, "field": field(quiet_share=0.0, xy_px=(30.2, 20.1))}
    assert set_aside((moving, still), **steady) == ((moving, still), ())
    assert set_aside((), **given) == ((), ())


def found_at(xy_px: tuple[float, float], *, snr: float) -> FoundSpot:
    centre = Centre(xy_px=np.array(xy_px), cov_px2=np.eye(2), snr=snr, template=0)
    return FoundSpot(centre=centre, false_alarm=0.0, scores=None)  # type: ignore[arg-type]


def test_a_crumb_out_of_step_beside_a_strong_spot_is_dropped() -> None:
    """What a description leaves of a strong spot is no sign of something mirrored."""
    restless = (30.2, 20.1)
    seen = field(quiet_share=0.6, xy_px=restless)
    given = {"field": seen, "logged": True, "moving": False}
    crumb, near, far = found_at(restless, snr=9.0), (22.0, 20.0), (10.0, 35.0)
    strong = found_at(near, snr=40.0)
    assert set_aside((strong, crumb), **given) == ((strong,), ())
    # Beside one that is not much stronger, or far from it, it is one of its own.
    for other in (found_at(near, snr=20.0), found_at(far, snr=40.0)):
        assert set_aside((other, crumb), **given) == ((other,), (crumb,))


def test_what_is_as_cold_in_the_end_as_it_was_is_no_heat() -> None:
    first, second = found_at(FIRST, snr=25.0), found_at(SECOND, snr=22.0)
    y, x = np.mgrid[:ROWS, :COLS]

    def rises(of_first: float, of_second: float) -> np.ndarray:
        out = np.zeros((ROWS, COLS), np.float32)
        for rise, (cx, cy) in ((of_first, FIRST), (of_second, SECOND)):
            out[(abs(x - cx) < 4) & (abs(y - cy) < 4)] = rise
        return out

    both = (first, second)
    assert warm_ones(both, rise_k=rises(1.0, 0.5)) == both
    # A short may be far less warm than the inductor on the way to it.
    assert warm_ones(both, rise_k=rises(1.0, 0.01)) == both
    assert warm_ones(both, rise_k=rises(1.0, -0.01)) == (first,)
    # Where the strongest is not the warmest, or none is warm, nothing can be said.
    assert warm_ones(both, rise_k=rises(0.01, 1.0)) == both
    assert warm_ones(both, rise_k=rises(-0.1, -0.5)) == both
    assert warm_ones((), rise_k=rises(1.0, 1.0)) == ()
    # At the border as well.
    corner = found_at((COLS - 1.0, 0.0), snr=30.0)
    assert warm_ones((corner,), rise_k=np.ones((ROWS, COLS), np.float32)) == (corner,)


def a_spot(xy_px: tuple[float, float], *, snr: float, peak_k: float, role: str = "fault") -> Spot:
    return Spot(xy_px=np.array(xy_px), cov_px2=np.eye(2), snr=snr, peak_k=peak_k, role=role)


FIRST, SECOND = (20.0, 20.0), (44.0, 30.0)


@pytest.mark.parametrize(("snr", "equals"), [(2 * FAR_ABOVE_NOISE, 1), (0.5 * FAR_ABOVE_NOISE, 2)])
def test_far_above_the_noise_equals_are_as_bright_as_well(snr: float, equals: int) -> None:
    """There the error of the model bounds a spot's SNR: a crumb of it looks as sure."""
    z = field(quiet_share=0.0, xy_px=FIRST)
    spots = (
        a_spot(FIRST, snr=snr, peak_k=1.0),
        a_spot(SECOND, snr=0.9 * snr, peak_k=0.2, role="unknown"),
    )
    assert find_mirrored(z, spots=spots).equals == equals
    bright = (spots[0], a_spot(SECOND, snr=0.9 * snr, peak_k=0.8, role="unknown"))
    assert find_mirrored(z, spots=bright).equals == 2


def test_the_fault_is_told_from_warmer_copper() -> None:
    z = field(quiet_share=0.0, xy_px=FIRST)
    copper = a_spot(FIRST, snr=90.0, peak_k=1.0, role="unknown")
    fault = a_spot(SECOND, snr=70.0, peak_k=0.8)
    signs = find_mirrored(z, spots=(copper, fault))
    assert (signs.snr, signs.fault_snr, signs.leads) == (90.0, 70.0, False)
    assert find_mirrored(z, spots=(copper,)).fault_snr == 0.0


def test_where_all_is_path_its_snr_counts() -> None:
    z = field(quiet_share=0.0, xy_px=FIRST)
    path = a_spot(FIRST, snr=14.0, peak_k=1.0, role="path")
    alone = find_mirrored(z, spots=(path,), moving=True)
    assert alone.snr == 14.0
    assert alone.moving
    assert not alone.leads
    # And so does whether it keeps time.
    restless = field(quiet_share=0.6, xy_px=FIRST)
    assert find_mirrored(restless, spots=(path,)).misfit == pytest.approx(0.6, abs=0.06)
    two = (path, a_spot(SECOND, snr=12.0, peak_k=0.9, role="path"))
    assert find_mirrored(z, spots=two).equals == 2


def test_a_spot_beside_a_far_stronger_path_has_no_equals() -> None:
    z = field(quiet_share=0.0, xy_px=FIRST)
    fault = a_spot(FIRST, snr=10.0, peak_k=0.3)
    crumb = a_spot(SECOND, snr=9.0, peak_k=0.3, role="unknown")
    path = a_spot((10.0, 38.0), snr=40.0, peak_k=1.0, role="path")
    assert find_mirrored(z, spots=(fault, crumb)).equals == 2
    assert find_mirrored(z, spots=(path, fault, crumb)).equals == 1
    assert find_mirrored(z, spots=(path, fault, crumb)).snr == 10.0


def test_a_weak_spot_with_an_equal_beside_it_is_none() -> None:
    z = field(quiet_share=0.0, xy_px=FIRST)

    def signs(at: tuple[float, float], *, snr: float, path_snr: float = 1.0) -> Mirrored:
        spots = (
            a_spot(FIRST, snr=snr, peak_k=0.05),
            a_spot(at, snr=0.9 * snr, peak_k=0.05),
            a_spot((10.0, 38.0), snr=path_snr, peak_k=0.05, role="path"),
        )
        return find_mirrored(z, spots=spots)

    near = (25.0, 22.0)
    assert signs(near, snr=7.4).twin
    given = {"logged": True, "moved": False, "best": 0.996}
    assert signs(near, snr=7.4).doubt(**given) == MIRRORED
    assert signs(SECOND, snr=7.4).doubt(**given) is None
    # Two shorts side by side are strong, and what a strong path leaves is a crumb.
    assert not signs(near, snr=2 * FAR_ABOVE_NOISE).twin
    assert not signs(near, snr=7.4, path_snr=30.0).twin


def test_in_a_plain_look_a_far_place_half_as_strong_is_an_equal_and_a_crumb_is_none() -> None:
    z = field(quiet_share=0.0, xy_px=FIRST)
    spots = (
        a_spot(FIRST, snr=900.0, peak_k=90.0),
        a_spot((26.0, 24.0), snr=700.0, peak_k=60.0, role="unknown"),
        a_spot(SECOND, snr=450.0, peak_k=20.0, role="unknown"),
        a_spot((50.0, 8.0), snr=300.0, peak_k=20.0, role="unknown"),
    )
    assert find_mirrored(z, spots=spots, plain=True).equals == 2
    assert find_mirrored(z, spots=spots[:2], plain=True).equals == 1
    # However strong the path to them is said to be.
    path = a_spot((10.0, 38.0), snr=4000.0, peak_k=99.0, role="path")
    assert find_mirrored(z, spots=(path, *spots), plain=True).equals == 2
    assert find_mirrored(z, spots=(path, *spots)).equals == 1


def test_in_a_plain_look_restless_places_count_as_far_as_they_come_near_the_spot() -> None:
    z = field(quiet_share=0.0, xy_px=FIRST)  # 40 high
    sigma = np.ones((ROWS, COLS), np.float32)
    for x in (40, 48, 56):
        sigma[30:33, x : x + 3] = 3.9
    spot = a_spot(FIRST, snr=300.0, peak_k=9.0)
    slightly = replace(z, quiet_sigma=sigma)
    assert find_mirrored(slightly, spots=(spot,)).restless == 3
    assert find_mirrored(slightly, spots=(spot,), plain=True).restless == 0
    strongly = replace(z, quiet_sigma=4 * sigma)
    strongly.quiet_sigma[sigma == 1] = 1
    assert find_mirrored(strongly, spots=(spot,), plain=True).restless == 3


def test_a_spot_is_judged_where_it_was_seen() -> None:
    """What is known of a part moved the spot; its own heat is where it was."""
    z = field(quiet_share=0.6, xy_px=FIRST)
    moved = a_spot(SECOND, snr=12.0, peak_k=0.5)
    seen = find_mirrored(z, spots=(moved,), centres_px=(np.array(FIRST),))
    assert seen.misfit == pytest.approx(0.6, abs=0.06)


def test_without_spots_there_is_nothing_to_judge() -> None:
    z = field(quiet_share=0.0, xy_px=FIRST)
    none = find_mirrored(z, spots=(), mirrored=2, moving=True)
    assert (none.equals, none.mirrored, none.moving) == (0, 2, True)
