"""Where a spot is, and whether the error bar may be believed."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from hotspot.locate.centre import SYSTEMATIC_PX, find_peak, log_evidence, measure_centre
from hotspot.locate.templates import build_templates
from tests.locate.white_field import gaussian, scored, white_field

SHAPE = (50, 67)
WIDTH = 1.5


def measured(
    peak: float,
    trials: int,
    seed: int,
    templates: tuple | None = None,
    systematic_px: float = SYSTEMATIC_PX,
) -> tuple:
    rng = np.random.default_rng(seed)
    allowed = np.ones(SHAPE, bool)
    errors, covs = [], []
    for _ in range(trials):
        xy = np.array([33.0, 24.0]) + rng.uniform(-0.5, 0.5, 2)
        maps = peak * gaussian(SHAPE, tuple(xy), WIDTH) + rng.standard_normal(SHAPE)
        kwargs = {} if templates is None else {"templates": templates}
        scores = scored(white_field(maps[None]), sigma_px=WIDTH, **kwargs)
        _, row, column = find_peak(scores, allowed=allowed)
        centre = measure_centre(scores, row=row, column=column, systematic_px=systematic_px)
        errors.append(centre.xy_px - xy)
        covs.append(centre.cov_px2)
    return np.array(errors), np.array(covs)


@pytest.mark.slow
@pytest.mark.parametrize("peak", [4.0, 10.0])
def test_the_error_is_the_bound(peak: float) -> None:
    """Cramér-Rao bound of a Gaussian spot: sqrt(2/pi) sigma / A px (tests/reference)."""
    errors, covs = measured(peak, 250, seed=91)
    bound = np.sqrt(2 / np.pi) / peak
    assert errors.std() == pytest.approx(bound, rel=0.15)
    assert abs(errors.mean()) < 3 * bound / np.sqrt(500) + 0.01
    expected = bound**2 + SYSTEMATIC_PX**2
    assert np.median(covs[:, 0, 0]) == pytest.approx(expected, rel=0.12)


@pytest.mark.slow
def test_the_error_bar_is_honest_with_the_whole_family() -> None:
    # A round spot on even ground has none of the errors of shape that boards have.
    errors, covs = measured(5.0, 120, seed=92, templates=build_templates(0.3), systematic_px=0.05)
    distance2 = np.einsum("ni,nij,nj->n", errors, np.linalg.inv(covs), errors)
    inside = np.mean(distance2 < chi2.ppf(0.95, 2))
    assert 0.90 <= inside <= 1.0
    pulls = errors / np.sqrt(np.stack([covs[:, 0, 0], covs[:, 1, 1]], axis=1))
    assert 0.75 < pulls.std() < 1.15


def test_moving_the_scene_moves_the_centre() -> None:
    rng = np.random.default_rng(93)
    maps = 8 * gaussian(SHAPE, (33.2, 24.4), WIDTH) + rng.standard_normal(SHAPE)
    here, there = (
        measure_centre(s, row=r, column=c)
        for s in (
            scored(white_field(m[None]), sigma_px=WIDTH)
            for m in (maps, np.roll(maps, (-4, 7), axis=(0, 1)))
        )
        for _, r, c in (find_peak(s, allowed=np.ones(SHAPE, bool)),)
    )
    np.testing.assert_allclose(there.xy_px - here.xy_px, (7, -4), atol=0.02)


def test_a_spot_on_the_border_says_so() -> None:
    maps = 9 * gaussian(SHAPE, (69.0, 20.0), WIDTH)
    scores = scored(white_field(maps[None]), sigma_px=WIDTH)
    _, row, column = find_peak(scores, allowed=np.ones(SHAPE, bool))
    assert column == SHAPE[1] - 1
    centre = measure_centre(scores, row=row, column=column)
    assert centre.at_edge
    assert np.all(np.linalg.eigvalsh(centre.cov_px2) > 0)


def test_only_allowed_pixels_are_looked_at() -> None:
    maps = 9 * gaussian(SHAPE, (20, 20), WIDTH) + 5 * gaussian(SHAPE, (50, 30), WIDTH)
    scores = scored(white_field(maps[None]), sigma_px=WIDTH)
    allowed = np.ones(SHAPE, bool)
    allowed[10:30, 10:30] = False
    assert find_peak(scores, allowed=allowed)[1:] == (30, 50)


def test_evidence_is_the_mean_likelihood_over_templates() -> None:
    z = np.array([[[3.0, -2.0, 30.0]], [[1.0, -4.0, 29.0]]], np.float32)
    expected = [np.log((np.exp(4.5) + np.exp(0.5)) / 2), 0.0, 450 + np.log((1 + np.exp(-29.5)) / 2)]
    np.testing.assert_allclose(log_evidence(z)[0], expected, rtol=1e-6)
