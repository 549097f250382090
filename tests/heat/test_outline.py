"""The board's outline, drawn and fitted: truth by construction, areas by closed form."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from hotspot.heat.outline import BAND_PX, FARTHEST_PX, Outline, measure_outline, share_inside

ROWS, COLS = 88, 120
GOOD = np.zeros((ROWS, COLS), dtype=bool)
# A board seen a little from the side: no two edges are parallel.
TRUE_PX = np.array([(13.3, 10.8), (104.6, 14.1), (106.9, 74.7), (10.2, 77.4)])


def area_px2(outline_px: np.ndarray) -> float:
    """Area of a polygon by the shoelace formula (textbook)."""
    x, y = outline_px.T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


def drawn(outline_px: np.ndarray) -> np.ndarray:
    """(ROWS, COLS) share of each pixel within a convex outline, by 8 x 8 points a pixel.

    By half planes, so that nothing is shared with what is tested.
    """
    fine = (np.arange(8) + 0.5) / 8 - 0.5
    y, x = np.meshgrid(
        (np.arange(ROWS)[:, None] + fine).reshape(-1),
        (np.arange(COLS)[:, None] + fine).reshape(-1),
        indexing="ij",
    )
    inside = np.ones(x.shape, dtype=bool)
    for (ax, ay), (bx, by) in zip(outline_px, np.roll(outline_px, -1, axis=0), strict=True):
        inside &= (bx - ax) * (y - ay) - (by - ay) * (x - ax) >= 0
    share: np.ndarray = inside.reshape(ROWS, 8, COLS, 8).mean(axis=(1, 3))
    return share


def corners_of(found: Outline | None) -> np.ndarray:
    assert found is not None
    return found.corners_px


def cold_picture(
    rng: np.random.Generator, *, outline_px: np.ndarray = TRUE_PX, step_k: float = 2.0
) -> np.ndarray:
    """A bench of 22 degrees, a board beside it by a step, parts on it, optics, noise."""
    board = np.full((ROWS, COLS), step_k)
    for _ in range(60):
        y, x = rng.integers(0, ROWS - 6), rng.integers(0, COLS - 6)
        board[y : y + rng.integers(2, 6), x : x + rng.integers(2, 6)] += rng.normal(0, 0.6)
    share = drawn(outline_px)
    sharp = 22.0 + share * board
    seen = cv2.GaussianBlur(sharp, (0, 0), 0.8) + rng.normal(0, 0.02, (ROWS, COLS))
    return np.asarray(seen, dtype=np.float32)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20251126)


@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 45.0])
def test_what_is_drawn_has_the_polygons_area_and_centre(turn_deg: float) -> None:
    turn = np.deg2rad(turn_deg)
    turned = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    corners = np.array([(-22.0, -15.0), (24.0, -16.0), (21.0, 17.0), (-23.0, 14.0)])
    outline = corners @ turned.T + (58.3, 43.6)
    share = share_inside(outline, shape=(ROWS, COLS))
    assert share.shape == (ROWS, COLS)
    assert share.min() >= 0
    assert share.max() <= 1 + 1e-5
    assert float(share.sum()) == pytest.approx(area_px2(outline), rel=0.01)
    # Not only as large as it should be, but there too: the middle within a twentieth of a pixel.
    y, x = np.mgrid[:ROWS, :COLS]
    at, truth = share / share.sum(), drawn(outline) / drawn(outline).sum()
    for along in (x, y):
        assert float((at * along).sum()) == pytest.approx(float((truth * along).sum()), abs=0.05)


def test_an_edge_through_the_middle_of_a_pixel_halves_it() -> None:
    outline = np.array([(-500.0, -500.0), (60.0, -500.0), (60.0, 500.0), (-500.0, 500.0)])
    middle = share_inside(outline, shape=(ROWS, COLS))[ROWS // 2]
    # The points are those of a picture four times finer: half of one of them is 0.125.
    assert middle[60] == pytest.approx(0.5, abs=0.13)
    assert middle[55] == pytest.approx(1.0, abs=1e-3)
    assert middle[65] == pytest.approx(0.0, abs=1e-3)
    assert (np.diff(middle) <= 1e-6).all()


@pytest.mark.parametrize("far", [1e3, 1e7, 1e12])
def test_an_outline_far_outside_shows_nothing(far: float) -> None:
    square = np.array([(0.0, 0.0), (30.0, 0.0), (30.0, 30.0), (0.0, 30.0)])
    for away in ((far, far), (-far, 40.0), (40.0, far), (-far, -far)):
        assert not share_inside(square + away, shape=(ROWS, COLS)).any()


@pytest.mark.parametrize("far", [300.0, 1e6, 1e12])
def test_an_outline_larger_than_the_picture_fills_it(far: float) -> None:
    outline = np.array([(-far, -far), (far, -far), (far, far), (-far, far)])
    np.testing.assert_allclose(share_inside(outline, shape=(ROWS, COLS)), 1.0, atol=1e-5)


@pytest.mark.parametrize("step_k", [2.0, -2.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_outline_that_is_off_is_moved_onto_the_edge(seed: int, step_k: float) -> None:
    rng = np.random.default_rng(seed)
    off = rng.uniform(1.0, 2.0, (4, 2)) * rng.choice([-1, 1], (4, 2)) / np.sqrt(2)
    start = TRUE_PX + off
    cold = cold_picture(rng, step_k=step_k)
    fitted = corners_of(measure_outline(start, cold=cold, bad=GOOD))
    assert np.hypot(*(start - TRUE_PX).T).min() > 0.9
    assert np.hypot(*(fitted - TRUE_PX).T).max() < 0.3
    # Neither wider nor narrower than it is: parts at the edge move it here and there, not inwards.
    assert area_px2(fitted) == pytest.approx(area_px2(TRUE_PX), rel=0.002)


def test_dead_pixels_on_the_edge_have_no_say(rng: np.random.Generator) -> None:
    cold = cold_picture(rng)
    # Two in a hundred, as of a poor sensor, and a blot on an edge, part of it without a value.
    bad = rng.random((ROWS, COLS)) < 0.02
    bad[38:45, 9:16] = True
    cold[bad] = 90.0
    cold[40, 11:14] = np.nan
    fitted = corners_of(measure_outline(TRUE_PX + np.array([1.2, -0.9]), cold=cold, bad=bad))
    assert np.hypot(*(fitted - TRUE_PX).T).max() < 0.3


@pytest.mark.parametrize("seed", range(8))
def test_a_board_as_warm_as_the_bench_leaves_the_outline_as_it_was(seed: int) -> None:
    rng = np.random.default_rng(seed)
    start = TRUE_PX + 1.0
    assert measure_outline(start, cold=cold_picture(rng, step_k=0.0), bad=GOOD) is None


def test_an_outline_beside_the_picture_is_left_as_it_was(rng: np.random.Generator) -> None:
    start = TRUE_PX + 400.0
    assert measure_outline(start, cold=cold_picture(rng), bad=GOOD) is None


@pytest.mark.parametrize("away_px", [FARTHEST_PX + 1.5, BAND_PX + 1.0, 2 * BAND_PX])
def test_an_edge_too_far_away_makes_nothing_worse(rng: np.random.Generator, away_px: float) -> None:
    start = TRUE_PX + np.array([away_px, 0.0])
    found = measure_outline(start, cold=cold_picture(rng), bad=GOOD)
    fitted = start if found is None else found.corners_px
    before = np.hypot(*(start - TRUE_PX).T).max()
    assert np.hypot(*(fitted - TRUE_PX).T).max() <= before + 1e-9
    # Never moved farther than said.
    assert np.hypot(*(fitted - start).T).max() <= FARTHEST_PX
