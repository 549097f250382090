from __future__ import annotations

import cv2
import numpy as np
import pytest

from calib.geometry import fit_pinhole_lens, fit_rig
from calib.grid import Grid, find_grid
from hotspot.errors import InputError

CHESS = Grid(7, 5, 6.0)


def show(grid: Grid, *, shape=(96, 128), pitch_px=14.0, k=-0.06, warm=False, noise=0.05, seed=0):
    """A grid seen by a lens with distortion `k` at half the diagonal, and its true points."""
    rows, cols = shape
    fine = 5
    y, x = np.mgrid[: rows * fine, : cols * fine]
    seen = np.stack([(x + 0.5) / fine - 0.5, (y + 0.5) / fine - 0.5], axis=-1).reshape(-1, 2)
    middle, reach = np.array([(cols - 1) / 2, (rows - 1) / 2]), np.hypot(cols, rows) / 2
    bent = (seen - middle) / reach
    plain = bent.copy()
    for _ in range(40):
        plain = bent / (1 + k * (plain**2).sum(axis=1, keepdims=True))
    plain = plain * reach + middle
    a = np.radians(3.0)
    c, s = np.cos(a) * pitch_px / 6, np.sin(a) * pitch_px / 6
    px_from_mm = np.array(
        [[c, -s, cols / 2 - 3 * pitch_px], [s, c, rows / 2 - 2 * pitch_px], [2e-4, -1e-4, 1.0]]
    )
    mm = np.column_stack([plain, np.ones(len(plain))]) @ np.linalg.inv(px_from_mm).T
    u, v = (mm[:, :2] / mm[:, 2:] / grid.pitch_mm).T
    if grid.is_circles:
        nx, ny = np.rint(u), np.rint(v)
        on = (nx >= 0) & (nx < grid.columns) & (ny >= 0) & (ny < grid.rows)
        bright = ~(on & ((u - nx) ** 2 + (v - ny) ** 2 < 0.09))
    else:
        inside = (u > -1) & (u < grid.columns) & (v > -1) & (v < grid.rows)
        bright = ((np.floor(u) + np.floor(v)) % 2 == 0) | ~inside
    image = bright.astype(float).reshape(rows, fine, cols, fine).mean(axis=(1, 3))
    image = cv2.GaussianBlur(image, (0, 0), 0.7)
    image = 25 + 2 * (1 - image if warm else image)
    image += noise * np.random.default_rng(seed).standard_normal(image.shape)
    lifted = np.column_stack([grid.points_mm, np.ones(len(grid.points_mm))]) @ px_from_mm.T
    true = (lifted[:, :2] / lifted[:, 2:] - middle) / reach
    true = true * (1 + k * (true**2).sum(axis=1, keepdims=True)) * reach + middle
    return image, true


@pytest.mark.parametrize("warm", [False, True])
@pytest.mark.parametrize("circles", [False, True])
def test_grids_are_found_warm_or_cool(circles: bool, warm: bool) -> None:
    grid = Grid(7, 5, 6.0, is_circles=circles)
    image, true = show(grid, warm=warm)
    found = find_grid(image, grid)
    assert np.sqrt(((found - true) ** 2).sum(axis=1).mean()) < 0.15
    rig = fit_rig((found,), grid, shape=image.shape)
    assert rig.distortion.value == pytest.approx(-0.06, abs=3 * rig.distortion.sigma + 0.002)
    # The lens's distortion moves the corners by 4.8 px; straightened, the grid is true to 0.1 mm.
    assert rig.corner_shift_px == pytest.approx(4.8, abs=0.6)
    np.testing.assert_allclose(rig.to_mm(true), grid.points_mm, atol=0.1)


@pytest.mark.parametrize("k", [-0.06, 0.0, 0.03])
def test_the_error_bars_of_distortion_and_scale_are_honest(k: float) -> None:
    rng = np.random.default_rng(2)
    _, true = show(CHESS, k=k, noise=0)
    found = [
        fit_rig((true + 0.05 * rng.standard_normal(true.shape),), CHESS, shape=(96, 128))
        for _ in range(24)
    ]
    exact = fit_rig((true,), CHESS, shape=(96, 128))
    assert exact.distortion.value == pytest.approx(k, abs=1e-6)
    for name in ("distortion", "mm_per_px"):
        true_value = getattr(exact, name).value
        pulls = [(getattr(f, name).value - true_value) / getattr(f, name).sigma for f in found]
        assert abs(np.mean(pulls)) < 0.7
        assert 0.6 < np.std(pulls) < 1.5
    assert np.mean([f.rms_px for f in found]) == pytest.approx(0.05, rel=0.1)


def test_what_is_no_grid_is_refused() -> None:
    blank = 25 + 0.05 * np.random.default_rng(0).standard_normal((60, 80))
    with pytest.raises(InputError, match=r"no grid of 7 x 5 inner corners"):
        find_grid(blank, CHESS)
    with pytest.raises(InputError, match="picture is even"):
        find_grid(np.full((60, 80), 20.0), CHESS)
    rng = np.random.default_rng(1)
    points = CHESS.points_mm * 3 + 10
    with pytest.raises(InputError, match="px off a plane grid"):
        fit_rig((points + rng.normal(0, 4, points.shape),), CHESS, shape=(96, 128))
    with pytest.raises(InputError, match="2 views are too few"):
        fit_pinhole_lens((CHESS.points_mm, CHESS.points_mm), CHESS, shape=(96, 128))
    flat = tuple(points + k + rng.normal(0, 0.05, points.shape) for k in range(3))
    with pytest.raises(InputError, match=r"focal length|camera model"):
        fit_pinhole_lens(flat, CHESS, shape=(96, 128))
    with pytest.raises(ValueError, match="columns and rows must be >= 3"):
        Grid(2, 5, 6.0)
    with pytest.raises(ValueError, match="pitch_mm must be > 0"):
        Grid(7, 5, 0)
