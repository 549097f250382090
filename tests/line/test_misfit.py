"""Whether a spot follows the switching or moves at times of its own."""

from __future__ import annotations

import numpy as np
import pytest

from hotspot.locate.centre import Centre
from hotspot.locate.field import Field, padded_shape
from hotspot.locate.spots import FoundSpot
from hotspot.reflections import Mirrored, measure_misfits, set_aside

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


def forbidden(sign: Mirrored, **given: object) -> bool:
    return sign.forbids_a_name(**{"logged": True, "moved": False, "best": 0.95, **given})


def test_a_name_is_forbidden_by_misfit_unless_the_camera_was_knocked() -> None:
    assert not forbidden(Mirrored(equals=1, restless=0, misfit=0.12))
    assert forbidden(Mirrored(equals=1, restless=0, misfit=0.4))
    assert not forbidden(Mirrored(equals=1, restless=0, misfit=0.4), moved=True)


def test_where_something_moves_a_spot_must_keep_time_better() -> None:
    assert not forbidden(Mirrored(equals=1, restless=5, misfit=0.03, moving=True))
    assert forbidden(Mirrored(equals=1, restless=5, misfit=0.12, moving=True))
    assert not forbidden(Mirrored(equals=1, restless=5, misfit=0.12))
    # Moments read off the frames are a little off themselves.
    assert not forbidden(Mirrored(equals=1, restless=2, misfit=0.12, moving=True), logged=False)


def test_beside_mirrored_places_only_a_clear_spot_on_a_part_is_named() -> None:
    assert not forbidden(Mirrored(equals=1, restless=9, mirrored=3, snr=14.0))
    assert forbidden(Mirrored(equals=1, restless=9, mirrored=3, snr=7.0))
    assert forbidden(Mirrored(equals=1, restless=9, mirrored=3, snr=14.0), best=0.6)
    assert forbidden(Mirrored(equals=1, restless=9, mirrored=3, snr=14.0), mapped=False)
    assert forbidden(Mirrored(equals=2, restless=0, moving=True, snr=14.0))
    assert not forbidden(Mirrored(equals=2, restless=0, moving=True, snr=90.0))


def test_among_equals_only_the_strongest_and_well_on_a_part_is_named() -> None:
    assert not forbidden(Mirrored(equals=3, restless=0, snr=17.0), best=0.995)
    assert forbidden(Mirrored(equals=3, restless=0, snr=17.0), best=0.93)
    assert forbidden(Mirrored(equals=3, restless=0, snr=17.0, leads=False), best=0.995)
    assert forbidden(Mirrored(equals=3, restless=0, snr=8.0), best=0.995, logged=False)
    assert not forbidden(Mirrored(equals=3, restless=0, snr=17.0), best=0.995, logged=False)
    assert forbidden(Mirrored(equals=1, restless=0, snr=17.0, leads=False), logged=False)
    assert not forbidden(Mirrored(equals=2, restless=0, snr=6.2, leads=False))
    assert forbidden(Mirrored(equals=2, restless=0, snr=10.5), best=0.7)
    assert not forbidden(Mirrored(equals=2, restless=0, snr=300.0), best=0.7)


def test_a_weak_spot_on_no_part_of_the_rail_is_not_believed() -> None:
    assert forbidden(Mirrored(equals=1, restless=0, snr=6.2), best=0.06)
    assert not forbidden(Mirrored(equals=1, restless=0, snr=6.2), best=0.5)
    assert not forbidden(Mirrored(equals=1, restless=0, snr=20.0), best=0.06)


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
