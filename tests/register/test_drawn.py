"""Bodies drawn at once, against masks on a fine grid blurred by scipy and averaged over pixels."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from hotspot.register.drawn import SHAPES, TERMINATION, draw_bodies

SHAPE = (30, 44)
SIGMA_PX, SOLDER_PX = 1.1, 0.625
# Masks are looked at on a grid so fine, blurred on one that is coarser again.
FINE, FINER = 8, 2


def turned(*, centre: tuple[float, float], size: tuple[float, float], degrees: float) -> np.ndarray:
    angle = np.deg2rad(degrees)
    c, s = np.cos(angle), np.sin(angle)
    box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(size) / 2
    return box @ np.array([[c, s], [-s, c]]) + centre


def in_perspective(corners: np.ndarray) -> np.ndarray:
    """Seen 20 degrees aslant from 300 px away: a usual camera over a usual bench."""
    matrix = np.array([[1.0, 0.06, -1.0], [0.0, 0.94, 1.2], [1.1e-3, 5e-4, 1.0]])
    p = np.c_[corners, np.ones(4)] @ matrix.T
    return p[:, :2] / p[:, 2:]


def averaged(mask_of_uv, corners: np.ndarray) -> np.ndarray:
    """A mask of the body's own coordinates (-1 to 1), blurred on a fine grid, pixel by pixel."""
    margin = 6  # so that the border of the picture cuts nothing off
    rows, cols = SHAPE[0] + 2 * margin, SHAPE[1] + 2 * margin
    finest = FINE * FINER
    x, y = np.meshgrid(
        *((np.arange(n * finest) + 0.5) / finest - 0.5 - margin for n in (cols, rows))
    )
    # Corners of a square from the corners of the quadrilateral (Hartley & Zisserman, 2e, ch. 4).
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], dtype=float)
    rows_of = []
    for (px, py), (u, v) in zip(corners, square, strict=True):
        rows_of.append([px, py, 1, 0, 0, 0, -u * px, -u * py, -u])
        rows_of.append([0, 0, 0, px, py, 1, -v * px, -v * py, -v])
    h = np.linalg.svd(np.array(rows_of))[2][-1].reshape(3, 3)
    u, v, w = (a * x + b * y + c for a, b, c in h)
    mask = mask_of_uv(u / w, v / w)
    fine = mask.reshape(rows * FINE, FINER, cols * FINE, FINER).mean(axis=(1, 3))
    blurred = gaussian_filter(fine, SIGMA_PX * FINE, truncate=5)
    out = blurred.reshape(rows, FINE, cols, FINE).mean(axis=(1, 3))
    return out[margin:-margin, margin:-margin]


def drawn_pictures(corners: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return shapes (SHAPES, rows, cols) and slopes (SHAPES, 2, rows, cols) of one body."""
    (d,) = draw_bodies(corners[None], shape=SHAPE, sigma_px=SIGMA_PX, solder_px=SOLDER_PX)
    assert d.index.tolist() == [0]
    shapes, slopes = np.zeros((SHAPES, SHAPE[0] * SHAPE[1])), np.zeros((SHAPES, 2, np.prod(SHAPE)))
    there = d.at[0] >= 0
    shapes[:, d.at[0][there]] = d.shapes[0][:, there]
    slopes[:, :, d.at[0][there]] = d.slopes[0][:, :, there]
    return shapes.reshape(SHAPES, *SHAPE), slopes.reshape(SHAPES, 2, *SHAPE)


BODIES = {
    # Its edges lie between points of the fine grid, as that of a turned one do on average.
    "upright": turned(centre=(21.25, 14.5), size=(9.0, 5.0), degrees=0),
    "turned": turned(centre=(20.7, 15.2), size=(12.0, 4.0), degrees=33),
    "small as the blur": turned(centre=(24.1, 13.4), size=(2.2, 1.2), degrees=-20),
    "aslant": in_perspective(turned(centre=(21.0, 14.0), size=(11.0, 7.0), degrees=25)),
    "over the border": turned(centre=(42.0, 3.0), size=(11.0, 9.0), degrees=12),
}


@pytest.mark.parametrize("name", BODIES)
def test_a_body_and_its_ends_are_what_a_blurred_mask_is(name: str) -> None:
    corners = BODIES[name]
    half = [
        np.linalg.norm(corners[1] - corners[0]) / 2,
        np.linalg.norm(corners[3] - corners[0]) / 2,
    ]

    def end_of(which: int):
        outer, inner = 1 + SOLDER_PX / half[which], 1 - 2 * TERMINATION

        def mask(*uv: np.ndarray) -> np.ndarray:
            along, across = np.abs(uv[which]), np.abs(uv[1 - which])
            return (along > inner) & (along < outer) & (across < 1)

        return mask

    def body(u: np.ndarray, v: np.ndarray) -> np.ndarray:
        return (np.abs(u) < 1) & (np.abs(v) < 1)

    shapes, _ = drawn_pictures(corners)
    # A view aslant makes no parallelogram of a rectangle: the drawing takes it for one.
    off = 0.012 if name == "aslant" else 1.5e-3
    for got, mask in zip(shapes, (body, end_of(0), end_of(1)), strict=True):
        want = averaged(mask, corners)
        assert want.max() > 0.05
        np.testing.assert_allclose(got, want, atol=off)


@pytest.mark.parametrize("name", BODIES)
def test_slopes_are_differences_of_shapes(name: str) -> None:
    corners = BODIES[name]
    step = 0.02
    _, slopes = drawn_pictures(corners)
    for axis in (0, 1):
        to = np.eye(2)[axis] * step
        # The picture moved by -h is the picture at x + h.
        ahead, behind = (drawn_pictures(corners - sign * to)[0] for sign in (1, -1))
        change = (ahead - behind) / (2 * step)
        np.testing.assert_allclose(slopes[:, axis], change, atol=1e-3)
        assert np.abs(slopes[:, axis]).max() > 0.1


def test_bodies_of_all_sizes_are_drawn_each_once_and_outside_ones_not() -> None:
    rng = np.random.default_rng(3)
    centres = rng.uniform([4, 4], [40, 26], (30, 2))
    sizes = np.exp(rng.uniform(0, 3, (30, 2)))
    corners = [
        turned(centre=tuple(c), size=tuple(s), degrees=d)
        for c, s, d in zip(centres, sizes, rng.uniform(0, 360, 30), strict=True)
    ]
    outside = turned(centre=(90.0, 10.0), size=(4, 3), degrees=10)
    flat = turned(centre=(20.0, 10.0), size=(4, 0), degrees=10)
    nowhere = np.full((4, 2), np.nan)
    everything = np.array([*corners, outside, flat, nowhere])
    drawn = draw_bodies(everything, shape=SHAPE, sigma_px=SIGMA_PX, solder_px=SOLDER_PX)
    assert sorted(np.concatenate([d.index for d in drawn])) == list(range(30))
    for d in drawn:
        assert d.shapes.shape == (len(d.index), SHAPES, d.at.shape[1])
        assert d.slopes.shape == (len(d.index), SHAPES, 2, d.at.shape[1])
        for i, at, shapes in zip(d.index, d.at, d.shapes, strict=True):
            kept = at[at >= 0]
            assert len(np.unique(kept)) == len(kept)
            assert kept.max() < SHAPE[0] * SHAPE[1]
            np.testing.assert_allclose(
                np.bincount(kept, shapes[0][at >= 0], minlength=SHAPE[0] * SHAPE[1]),
                drawn_pictures(corners[i])[0][0].reshape(-1),
                atol=2e-6,
            )


def test_nothing_in_the_picture_is_nothing_drawn() -> None:
    outside = turned(centre=(90.0, 10.0), size=(4, 3), degrees=10)[None]
    assert draw_bodies(outside, shape=SHAPE, sigma_px=SIGMA_PX, solder_px=SOLDER_PX) == ()
