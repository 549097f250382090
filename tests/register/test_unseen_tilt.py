"""Maps too simple to hold a tilt say how far off they may be: cameras of other code tell."""

from __future__ import annotations

import numpy as np
import pytest

from hotspot.register.landmarks import fit_plane_map
from hotspot.register.unseen_tilt import tilt_cov

CHI2_95 = 5.991  # 95 % point of chi-square with two degrees of freedom (any table)
SHAPE = (192, 256)


def pinhole(rng, *, tilt_deg):
    """Return board mm → px of a pinhole camera (Hartley & Zisserman 2e, ch. 6), 0.2 mm a pixel."""
    tilt, turn = np.radians(tilt_deg), rng.uniform(0, 2 * np.pi)
    focal = 128 / np.tan(np.radians(rng.uniform(15, 25)))
    along = np.array([np.cos(turn), np.sin(turn)])
    across = np.array([-along[1], along[0]])

    def view(board):
        depth = 0.2 * focal + (board @ along) * np.sin(tilt)
        u, v = focal * (board @ along) * np.cos(tilt) / depth, focal * (board @ across) / depth
        return u[:, None] * along + v[:, None] * across + [128, 96]

    return view


def somewhere(rng, count):
    return rng.uniform(-0.45, 0.45, (count, 2)) * [51.2, 38.4]


@pytest.mark.parametrize("count", [2, 3])
def test_what_few_clicks_cannot_tell_is_in_the_error(count):
    rng = np.random.default_rng(count)
    inside, without = [], []
    for _ in range(300):
        view = pinhole(rng, tilt_deg=rng.uniform(0, 15))
        board = somewhere(rng, count)
        apart = np.linalg.norm(board[:, None] - board[None], axis=2)[np.triu_indices(count, 1)]
        area = 1e3 if count == 2 else abs(np.linalg.det(board[1:] - board[0]))
        if apart.min() < 8 or area < 100:
            continue
        source = view(board) + rng.normal(0, 0.7, board.shape)
        photo = board * 50 + rng.normal(0, 1.5, board.shape)
        fitted = fit_plane_map(source, photo, click_sigma_destination_px=1.5, shape=SHAPE)
        place = somewhere(rng, 1)
        at = view(place)[0]
        off = fitted.map(at) - 50 * place[0]
        by = fitted.parameter_derivative(at)
        unseen = by @ tilt_cov(
            fitted.matrix, source, model=fitted.model, mirrored=False, shape=SHAPE
        ) @ by.T  # fmt: skip
        cov = fitted.point_cov(at)
        inside.append(off @ np.linalg.solve(cov, off) < CHI2_95)
        without.append(off @ np.linalg.solve(cov - unseen, off) < CHI2_95)
    assert len(inside) > 150
    assert np.mean(inside) > 0.9
    assert np.mean(without) < 0.85


def test_at_the_clicks_nothing_is_added_and_far_away_much():
    source = np.array([[40.0, 40.0], [80.0, 45.0], [60.0, 90.0]])
    matrix = np.array([[5.0, 0.2, 10.0], [-0.2, 5.0, 30.0], [0, 0, 1.0]])
    fitted = fit_plane_map(
        source, source @ matrix[:2, :2].T + matrix[:2, 2], click_sigma_source_px=0.01, shape=SHAPE,
        click_sigma_destination_px=0.01,
    )  # fmt: skip
    at_click, far = (np.sqrt(np.trace(fitted.point_cov(p))) for p in (source[0], [230.0, 170.0]))
    assert at_click < 0.2
    assert far > 50 * at_click


def test_a_homography_is_no_such_map():
    with pytest.raises(ValueError, match="similarity"):
        tilt_cov(np.eye(3), np.zeros((3, 2)), model="homography", mirrored=False, shape=None)
