"""A spot known to lie on a part: drawn to the part's own centre where that fits, and honest."""

from __future__ import annotations

import numpy as np
import pytest

from hotspot.fusion import fused
from hotspot.locate.centre import Centre
from hotspot.locate.parts import Place

PART_PX = np.array([30.0, 20.0])
LONG_PX, WIDE_PX = 8.0, 4.0
BODY_PX = PART_PX + 0.5 * np.array([[-8, -4], [8, -4], [8, 4], [-8, 4]])
MAP_SIGMA_PX = 0.12


def place(*, xy_px: np.ndarray = PART_PX) -> Place:
    return Place(
        ref="C1",
        xy_px=xy_px,
        cov_px2=MAP_SIGMA_PX**2 * np.eye(2),
        outline_px=BODY_PX + xy_px - PART_PX,
    )


def centre(xy_px: np.ndarray, *, sigma_px: float) -> Centre:
    return Centre(np.asarray(xy_px, dtype=float), sigma_px**2 * np.eye(2), snr=20.0, template=0)


def off_part(x_px: float, *, sigma_px: float = 0.3, on_a_die: bool = False) -> float:
    """How far along the body it comes out, of a spot seen so far along."""
    at, cov = fused(
        centre(PART_PX + np.array([x_px, 0.0]), sigma_px=sigma_px), place(), on_a_die=on_a_die
    )
    assert np.linalg.eigvalsh(cov).min() > 0
    np.testing.assert_array_equal(cov, cov.T)
    return float(at[0] - PART_PX[0])


def test_a_centre_near_the_parts_own_is_drawn_to_it() -> None:
    assert 0 <= off_part(0.5) < 0.6 * 0.5


def test_a_centre_at_the_end_of_the_body_stays_there() -> None:
    assert off_part(3.0) > 0.85 * 3.0


def test_on_a_die_heat_may_be_anywhere() -> None:
    assert off_part(0.5, on_a_die=True) > 0.9 * 0.5


def test_one_that_contradicts_the_part_is_what_is_off() -> None:
    at, cov = fused(centre(PART_PX + np.array([14.0, 0.0]), sigma_px=0.3), place())
    assert at[0] - PART_PX[0] < 7.0
    # Along the line between the two less is known than the spot alone would have it.
    assert cov[0, 0] > 5 * 0.3**2
    assert cov[0, 0] > 5 * cov[1, 1]


@pytest.mark.parametrize("sigma_px", [0.15, 0.6, 1.5])
@pytest.mark.parametrize("on_a_die", [False, True])
def test_the_error_bar_holds(sigma_px: float, on_a_die: bool) -> None:
    """Half of the bodies warm as a whole, some at one end, the rest mostly near the middle."""
    rng = np.random.default_rng(7)
    size = np.array([LONG_PX, WIDE_PX])
    squares, error, alone = [], [], []
    for _ in range(1500):
        where = rng.uniform()
        if on_a_die:
            off = rng.uniform(-0.5, 0.5, 2) * size
        elif where < 0.5:
            off = np.zeros(2)
        elif where < 0.6:
            off = np.array([rng.choice([-0.4, 0.4]) * LONG_PX, 0.0])
        else:
            off = np.clip(rng.normal(0, 0.2, 2), -0.5, 0.5) * size
        truth = PART_PX + off
        seen = truth + rng.normal(0, sigma_px, 2)
        mapped = place(xy_px=PART_PX + rng.normal(0, MAP_SIGMA_PX, 2))
        at, cov = fused(centre(seen, sigma_px=sigma_px), mapped, on_a_die=on_a_die)
        squares.append((at - truth) @ np.linalg.solve(cov, at - truth))
        error.append(np.hypot(*(at - truth)))
        alone.append(np.hypot(*(seen - truth)))
    # Chi-squared with two degrees of freedom, 2 on average; where the spot is sharp the error bar
    # allows for heat that fills a body unevenly, and for faults that a body warm as a whole hides,
    # of which there are none here (a mean of 0.83 beside a blurred spot).
    assert np.mean(squares) < 2.3
    assert np.mean(np.array(squares) < 5.99) > 0.87
    if sigma_px > 0.5:
        assert np.mean(squares) > 0.75
        assert np.median(error) < 0.95 * np.median(alone)
