"""Faint heat at the parts of the rail, held against theory and against parts without current."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from hotspot.locate.at_parts import (
    FEWEST_CONTROLS,
    PartNoise,
    find_at_parts,
    find_by_others,
    measure_part_noise,
    read_parts,
)
from tests.locate.test_parts import place
from tests.locate.white_field import gaussian, scored, white_field

SHAPE = (100, 140)
LIMIT = 0.05
STRICT = 0.0002
SIGMA_PX = 1.5
GRID = [(12.0 + 11 * i, 12.0 + 11 * j) for j in range(8) for i in range(11)]
RAIL = tuple(place(f"C{k}", *xy) for k, xy in enumerate(GRID) if k % 4 == 0)
OTHERS = tuple(place(f"R{k}", *xy) for k, xy in enumerate(GRID) if k % 4)
ALLOWED = np.ones(SHAPE, bool)


def board(*, snr: float = 0.0, at: int = 5, restless: float = 1.0, seed: int = 0):
    """Return the scores of white noise with a spot at a rail part, every part's noise raised."""
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal(SHAPE)
    raised = np.zeros(SHAPE)
    for xy in GRID:
        raised = np.maximum(raised, gaussian(SHAPE, xy, 3.0))
    # Noise that theory does not know, at the parts alone.
    extra = gaussian_filter(rng.standard_normal(SHAPE), SIGMA_PX)
    extra *= 2 * np.sqrt(np.pi) * SIGMA_PX * np.sqrt(max(restless**2 - 1, 0.0))
    spot = gaussian(SHAPE, tuple(RAIL[at].xy_px), SIGMA_PX) / (np.sqrt(np.pi) * SIGMA_PX)
    maps = noise + raised * extra / np.sqrt(2 * np.pi) + snr * spot
    return scored(white_field(maps[None]), sigma_px=SIGMA_PX)


def hint(scores, *, others=OTHERS, limit: float = LIMIT):
    return find_by_others(
        scores, places=RAIL, others=others, allowed=ALLOWED, limit=limit, trials=1.0
    )


def test_each_part_is_read_where_it_may_be_warm() -> None:
    scores = board(snr=30.0)
    allowed = ALLOWED.copy()
    allowed[:, :20] = False
    readings = {r.place.ref: r for r in read_parts(scores, places=RAIL, allowed=allowed)}
    assert RAIL[0].ref not in readings  # its column is not looked at
    warm = readings[RAIL[5].ref]
    assert max(readings.values(), key=lambda r: r.snr) is warm
    assert warm.snr == scores.z[0, warm.row, warm.column]
    assert np.hypot(warm.column - RAIL[5].xy_px[0], warm.row - RAIL[5].xy_px[1]) < 2.0
    # The whole picture within one sigma of where the part may be warm, and nothing beyond.
    y, x = np.indices(SHAPE)
    offset = np.stack([x - RAIL[5].xy_px[0], y - RAIL[5].xy_px[1]])
    inverse = np.linalg.inv(RAIL[5].spread_px2() + 0.7**2 * np.eye(2))
    near = np.einsum("iyx,ij,jyx->yx", offset, inverse, offset) < 1
    assert warm.snr == scores.z[0][near].max()


def test_a_part_outside_the_picture_is_not_read() -> None:
    away = (place("C9", -8, 30), place("C10", 30, 130))
    assert read_parts(board(), places=away, allowed=ALLOWED) == ()


def test_the_strongest_part_is_found_by_theory() -> None:
    found = find_at_parts(board(snr=7.0), places=RAIL, allowed=ALLOWED, limit=STRICT, trials=1.0)
    assert found is not None
    assert np.hypot(*(found.centre.xy_px - RAIL[5].xy_px)) < 1.5
    nothing = find_at_parts(board(), places=RAIL, allowed=ALLOWED, limit=STRICT, trials=1.0)
    assert nothing is None
    assert find_at_parts(board(), places=(), allowed=ALLOWED, limit=1.0, trials=1.0) is None


def patches_of_noise(*, scale: float, sigma_px: float, side: int, seed: int) -> np.ndarray:
    """Return the largest value in each of many squares of smooth noise, far from one another."""
    rng = np.random.default_rng(seed)
    smooth = gaussian_filter(rng.standard_normal((2400, 2400)), sigma_px, mode="wrap")
    smooth *= scale / smooth.std()
    far = side + round(6 * sigma_px)
    squares = [
        smooth[i : i + side, j : j + side].max()
        for i in range(0, 2400 - far, far)
        for j in range(0, 2400 - far, far)
    ]
    return np.array(squares)


def test_noise_at_parts_reaches_as_high_as_a_smooth_field_does() -> None:
    # Adler & Taylor, Random Fields and Geometry: over an area A of noise white noise blurred by s
    # (gradient variance 1 / 2 s^2) the level u is exceeded A / (2 s^2) (2 pi)^-1.5 u exp(-u^2 / 2)
    # times at high levels, and at the square's edges and corners a little more often.
    scale, sigma_px, side = 1.12, 2.0, 8
    seen = patches_of_noise(scale=scale, sigma_px=sigma_px, side=side, seed=3)
    noise = measure_part_noise(seen[:500])
    for level in (2.5, 3.0, 3.5):
        met = float(np.mean(seen > level))
        assert noise.chance(level, parts=1, trials=1.0) == pytest.approx(met, rel=0.5)
    assert noise.scale == pytest.approx(scale, rel=0.15)


def test_the_scale_of_noise_at_parts_is_measured() -> None:
    seen = patches_of_noise(scale=1.0, sigma_px=2.0, side=8, seed=5)[:300]
    once, more = (measure_part_noise(scale * seen) for scale in (1.0, 1.3))
    assert more.scale / once.scale == pytest.approx(1.3, rel=0.1)
    assert more.chance(5.0, parts=20, trials=1.0) > 10 * once.chance(5.0, parts=20, trials=1.0)


def test_the_chance_of_several_parts_and_trials_is_that_of_any() -> None:
    noise = PartNoise(scale=1.0, tests=0.5)
    one = noise.chance(4.2, parts=1, trials=1.0)
    assert noise.chance(4.2, parts=12, trials=3.0) == pytest.approx(1 - (1 - one) ** 36)
    # Low levels are always exceeded, ever more often than higher ones.
    chances = [noise.chance(u, parts=5, trials=1.0) for u in (0.0, 0.5, 1.0, 2.0, 4.0)]
    assert chances == sorted(chances, reverse=True)
    assert chances[0] == chances[2] > chances[3]


@pytest.mark.parametrize("restless", [1.0, 1.35])
def test_noise_gives_a_hint_as_seldom_as_it_is_said_to(restless: float) -> None:
    hints = sum(hint(board(restless=restless, seed=s)) is not None for s in range(100))
    # 0.05 of 100 are 5, a Poisson number: more than 12 come once in 500.
    assert hints <= 12


def test_theory_alone_takes_restless_parts_for_heat_and_the_others_tell() -> None:
    by_theory = by_others = 0
    for s in range(60):
        scores = board(restless=1.35, seed=s)
        by_theory += (
            find_at_parts(scores, places=RAIL, allowed=ALLOWED, limit=LIMIT, trials=1.0) is not None
        )
        by_others += hint(scores) is not None
    assert by_theory >= 3 * max(by_others, 1)


def test_faint_heat_is_a_hint_at_its_part() -> None:
    seen = [hint(board(snr=4.6, seed=s)) for s in range(40)]
    there = [h for h in seen if h is not None]
    right = [h for h in there if np.hypot(*(h.centre.xy_px - RAIL[5].xy_px)) < 3.0]
    assert len(right) > 20
    assert len(right) > 0.9 * len(there)
    assert all(h.false_alarm <= LIMIT for h in there)


def test_few_parts_tell_nothing_of_noise() -> None:
    scores, alone = board(snr=6.0), RAIL[4:7]
    few = OTHERS[: FEWEST_CONTROLS - len(alone)]  # the strongest itself is no control

    def hinted(others):
        return find_by_others(
            scores, places=alone, others=others, allowed=ALLOWED, limit=LIMIT, trials=1.0
        )

    assert hinted(few) is None
    assert hinted(OTHERS[: len(few) + 1]) is not None
