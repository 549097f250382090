"""When what looks like heat is given a name, and when not."""

from __future__ import annotations

from dataclasses import replace

from hotspot.doubts import STRONG_BESIDE, Mirrored
from hotspot.reasons import BEGUN, MIRRORED, OFF_PARTS, ON_A_CAN, WEAK, WEAK_UNLOGGED


def forbidden(sign: Mirrored, **given: object) -> bool:
    return doubt(sign, **given) is not None


def doubt(sign: Mirrored, **given: object) -> str | None:
    return sign.doubt(**{"logged": True, "moved": False, "best": 0.95, **given})


def test_a_name_is_forbidden_by_misfit_unless_the_camera_was_knocked() -> None:
    assert not forbidden(Mirrored(equals=1, restless=0, misfit=0.12))
    assert forbidden(Mirrored(equals=1, restless=0, misfit=0.4))
    assert not forbidden(Mirrored(equals=1, restless=0, misfit=0.4), moved=True)


def test_where_something_moves_a_spot_must_keep_time_better() -> None:
    assert not forbidden(Mirrored(equals=1, restless=5, misfit=0.03, moving=True))
    assert forbidden(Mirrored(equals=1, restless=5, misfit=0.12, moving=True))
    assert not forbidden(Mirrored(equals=1, restless=5, misfit=0.12))
    # ... nor where it was left out while it did: a can that mirrored a hand had 0.26 at 31 sigma.
    assert not forbidden(Mirrored(equals=1, restless=0, misfit=0.03, snr=31.0, passed=True))
    assert forbidden(Mirrored(equals=1, restless=0, misfit=0.26, snr=31.0, passed=True))


def test_without_a_log_a_spot_must_keep_the_time_that_was_read_off_it() -> None:
    # Moments read off the frames are a little off themselves.
    assert not forbidden(Mirrored(equals=1, restless=2, misfit=0.08, moving=True), logged=False)
    assert forbidden(Mirrored(equals=1, restless=0, misfit=0.14, snr=20.0), logged=False)
    assert not forbidden(Mirrored(equals=1, restless=0, misfit=0.14))
    # Strong ones outshine whatever keeps time by chance, unless something is seen to move.
    strong = {"equals": 1, "restless": 0, "snr": 2 * STRONG_BESIDE}
    assert not forbidden(Mirrored(misfit=0.14, **strong), logged=False)
    assert forbidden(Mirrored(misfit=0.14, moving=True, **strong), logged=False)
    assert forbidden(Mirrored(misfit=0.4, **strong), logged=False)


def test_without_a_log_an_injection_does_not_begin_with_the_recording() -> None:
    weak, strong = (Mirrored(equals=1, restless=0, snr=snr) for snr in (26.0, 90.0))
    assert forbidden(weak, logged=False, cold_s=0.9)
    assert not forbidden(weak, logged=False, cold_s=3.0)
    assert not forbidden(strong, logged=False, cold_s=0.9)
    assert not forbidden(weak, cold_s=0.9)


def test_beside_mirrored_places_only_a_clear_spot_on_a_part_is_named() -> None:
    assert not forbidden(Mirrored(equals=1, restless=9, mirrored=2, snr=14.0), best=0.995)
    assert forbidden(Mirrored(equals=1, restless=9, mirrored=3, snr=14.0), best=0.995)
    assert not forbidden(Mirrored(equals=1, restless=9, mirrored=3, snr=24.0))
    assert forbidden(Mirrored(equals=1, restless=9, mirrored=3, snr=7.0), best=0.995)
    assert forbidden(Mirrored(equals=1, restless=9, mirrored=3, snr=24.0), best=0.6)
    assert forbidden(Mirrored(equals=1, restless=9, mirrored=3, snr=14.0), mapped=False)
    # It is the part's own spot that must be clear, whatever is seen beside the parts.
    beside = Mirrored(equals=1, restless=9, moving=True, snr=11.4, leads=False, fault_snr=6.6)
    assert forbidden(beside, best=0.983)
    assert not forbidden(replace(beside, fault_snr=10.6), best=0.983)
    assert forbidden(replace(beside, snr=40.0, fault_snr=10.6), best=0.95)
    assert forbidden(Mirrored(equals=2, restless=0, moving=True, snr=14.0))
    assert not forbidden(Mirrored(equals=2, restless=0, moving=True, snr=90.0))


def test_among_equals_only_the_strongest_strong_and_well_on_a_part_is_named() -> None:
    assert forbidden(Mirrored(equals=3, restless=0, snr=29.0), best=0.997)
    assert not forbidden(Mirrored(equals=3, restless=0, snr=80.0), best=0.995)
    assert forbidden(Mirrored(equals=3, restless=0, snr=80.0), best=0.93)
    assert forbidden(Mirrored(equals=3, restless=0, snr=80.0, leads=False), best=0.995)
    assert forbidden(Mirrored(equals=3, restless=0, snr=17.0), best=0.995, logged=False)
    assert not forbidden(Mirrored(equals=3, restless=0, snr=80.0), best=0.995, logged=False)
    assert forbidden(Mirrored(equals=1, restless=0, snr=17.0, leads=False), logged=False)
    assert not forbidden(Mirrored(equals=2, restless=0, snr=6.2, leads=False))
    assert forbidden(Mirrored(equals=2, restless=0, snr=10.5), best=0.7)
    assert not forbidden(Mirrored(equals=2, restless=0, snr=300.0), best=0.7)


def test_strong_places_scattered_over_the_picture_need_a_part_that_is_certain() -> None:
    """A hand that came with the current: far above the noise, in many places, and on no part."""
    scattered = Mirrored(equals=2, restless=0, snr=264.0, scattered=4)
    assert forbidden(scattered, best=0.84)
    assert not forbidden(scattered, best=0.95)
    # Where something moves, as between shield cans, a part that is surer.
    for sign in ({"moving": True}, {"passed": True}, {"mirrored": 1}):
        assert forbidden(replace(scattered, **sign), best=0.947)
        assert not forbidden(replace(scattered, **sign), best=0.985)
    assert not forbidden(replace(scattered, scattered=2), best=0.84)
    assert not forbidden(scattered, best=0.84, mapped=False)


def test_a_weak_spot_on_no_part_of_the_rail_is_not_believed() -> None:
    assert forbidden(Mirrored(equals=1, restless=0, snr=6.2), best=0.06)
    assert not forbidden(Mirrored(equals=1, restless=0, snr=6.2), best=0.5)
    assert forbidden(Mirrored(equals=1, restless=0, snr=20.0), best=0.06)
    assert not forbidden(Mirrored(equals=1, restless=0, snr=80.0), best=0.06)


def test_what_noise_gives_too_often_must_be_well_on_a_part() -> None:
    weak = Mirrored(equals=1, restless=0, snr=5.5)
    assert forbidden(weak, best=0.55, chance=3e-5)
    assert not forbidden(weak, best=0.95, chance=3e-5)
    assert not forbidden(weak, best=0.7, chance=3e-7)
    # Without a log it must be rarer still, or its part beyond doubt.
    assert forbidden(weak, best=0.983, chance=5e-6, logged=False)
    assert not forbidden(weak, best=0.983, chance=5e-6)
    assert not forbidden(weak, best=0.983, chance=5e-7, logged=False)
    assert not forbidden(weak, best=0.995, chance=5e-6, logged=False)
    # However sure the part, what other parts show as often is noise.
    assert forbidden(weak, best=0.999, chance=0.02)
    assert forbidden(weak, best=0.999, chance=5e-4, logged=False)
    assert not forbidden(weak, best=0.999, chance=5e-4)
    # Nor is it the path alone that is seen.
    path = Mirrored(equals=1, restless=0, snr=5.5, leads=False)
    assert forbidden(path, best=0.95, chance=3e-5)
    assert not forbidden(path, best=0.95, chance=3e-7)


def test_without_a_log_a_weak_spot_must_be_well_on_a_part_however_seldom_noise_is_so() -> None:
    weak = Mirrored(equals=1, restless=0, snr=8.3)
    for best, logged, word in (
        (0.72, False, WEAK_UNLOGGED),
        (0.9, False, None),
        (0.72, True, None),
    ):
        assert doubt(weak, logged=logged, best=best, chance=4e-10) == word
    assert doubt(replace(weak, snr=200.0), logged=False, best=0.72, chance=4e-10) is None


def test_each_doubt_has_its_own_cure() -> None:
    one = Mirrored(equals=1, restless=0, snr=7.0)
    assert doubt(Mirrored(equals=3, restless=0, snr=17.0)) == MIRRORED
    # On a part of the rail, but beside something that moves.
    assert doubt(Mirrored(equals=1, restless=0, snr=7.0, moving=True), best=0.999) == MIRRORED
    assert doubt(one, best=0.1) == OFF_PARTS
    assert doubt(one, best=0.55, chance=1e-4) == WEAK
    assert doubt(one, best=0.75, chance=1e-4, logged=False) == WEAK_UNLOGGED
    assert doubt(one, chance=5e-6, logged=False) == WEAK_UNLOGGED
    unmapped = Mirrored(equals=1, restless=0, snr=7.0, leads=False)
    assert doubt(unmapped, best=1.0, mapped=False, chance=1e-4) == WEAK
    assert doubt(unmapped, best=1.0, mapped=False, chance=1e-7) is None
    assert doubt(one, logged=False, cold_s=0.2) == BEGUN
    assert doubt(one) is None


def test_after_a_hand_has_passed_the_strongest_spot_must_be_the_fault() -> None:
    clear = Mirrored(equals=1, restless=0, snr=11.0, passed=True)
    assert not forbidden(clear, best=0.995)
    assert forbidden(replace(clear, leads=False), best=0.995)
    assert not forbidden(replace(clear, leads=False, passed=False), best=0.995)


def test_where_most_was_left_out_a_spot_must_be_as_strong_as_beside_what_moves() -> None:
    near = Mirrored(equals=1, restless=0, snr=7.6, passed=True)
    assert doubt(near, best=0.996) is None
    assert doubt(near, best=0.996, mostly_passed=True) == MIRRORED
    assert doubt(replace(near, snr=20.0), best=0.996, mostly_passed=True) is None


def test_a_warm_can_where_no_part_of_the_rail_lies_is_no_short() -> None:
    strong = Mirrored(equals=1, restless=0, snr=187.0, leads=False)
    assert doubt(strong, best=0.004) is None  # strong heat speaks against the map ...
    assert doubt(strong, best=0.004, on_a_can=True) == ON_A_CAN  # ... a mirror does not
    assert doubt(strong, best=0.6, on_a_can=True) is None  # under it lies a part of the rail


def test_beside_what_moves_a_spot_near_the_noise_needs_a_surer_part() -> None:
    """A hand that comes with the current may leave a large chip in step with it."""
    for sign in ({"moving": True}, {"passed": True}):
        near = replace(Mirrored(equals=1, restless=1, snr=10.04), **sign)
        assert doubt(near, best=0.964) == MIRRORED
        assert doubt(near, best=0.995) is None
        assert doubt(replace(near, snr=22.0), best=0.925) is None
    assert doubt(Mirrored(equals=1, restless=1, snr=10.04), best=0.964) is None


def test_strong_heat_at_a_part_stands_beside_warmer_copper() -> None:
    """A track or a via that carries the current may show more than the short, and is no part."""
    copper = Mirrored(equals=1, restless=24, snr=560.0, leads=False, fault_snr=490.0)
    assert not forbidden(copper, logged=False, best=0.999)
    assert forbidden(copper, logged=False, best=0.9)
    assert forbidden(copper, logged=False, best=0.999, mapped=False)
    assert forbidden(replace(copper, fault_snr=40.0), logged=False, best=0.999)
    assert forbidden(replace(copper, misfit=0.4), logged=False, best=0.999)


def test_a_crowd_of_spots_is_no_short_however_near_they_are_to_one_another() -> None:
    clump = Mirrored(equals=2, restless=0, snr=54.0, crowd=5)
    assert doubt(clump, best=0.992) == MIRRORED
    assert doubt(replace(clump, crowd=3), best=0.992) is None
    # Far above the noise what a spot leaves over is its own model's; a plain look knows no SNR.
    assert doubt(replace(clump, snr=80.0), best=0.992) is None


def test_turned_over_only_one_place_may_warm() -> None:
    """What comes into a display's picture makes all else go dark: turned over, many places warm."""
    for one, many in (({"scattered": 2}, {"scattered": 5}), ({}, {"equals": 2})):
        alone = replace(Mirrored(equals=1, restless=0, snr=31.0, turned=True), **one)
        assert not forbidden(alone, best=0.994, logged=False)
        several = replace(alone, **many)
        assert doubt(several, best=0.994, logged=False) == MIRRORED
        assert not forbidden(replace(several, turned=False), best=0.994, logged=False)


def test_the_more_often_noise_gives_it_the_surer_its_part_must_be() -> None:
    weak = Mirrored(equals=1, restless=0, snr=5.6)
    assert doubt(weak, best=0.59, chance=2e-6) == WEAK
    assert doubt(weak, best=0.59, chance=5e-7) is None
    assert doubt(weak, logged=False, best=0.87, chance=7e-7) == WEAK_UNLOGGED
    assert doubt(weak, logged=False, best=0.87, chance=5e-8) is None
    assert doubt(weak, logged=False, best=0.97, chance=7e-7) is None
