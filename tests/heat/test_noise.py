"""The noise over time, measured on noise of known make."""

from __future__ import annotations

import numpy as np
import pytest

from hotspot.heat.noise import (
    SLOW_TAUS_S,
    TemporalNoise,
    fit_amounts,
    fit_temporal_noise,
    noise_components,
    robust_variance,
)

BINS, PIXELS, FRAMES = 160, 5000, 6


def wandering(rng: np.random.Generator, t_s: np.ndarray, tau_s: float, sigma: float) -> np.ndarray:
    """Ornstein-Uhlenbeck process (bins, pixels), stepped exactly (Gillespie 1996, eq. 3.1)."""
    out = np.empty((len(t_s), PIXELS))
    out[0] = sigma * rng.standard_normal(PIXELS)
    for i in range(1, len(t_s)):
        keep = np.exp(-(t_s[i] - t_s[i - 1]) / tau_s)
        out[i] = keep * out[i - 1] + sigma * np.sqrt(1 - keep**2) * rng.standard_normal(PIXELS)
    return out


def test_white_and_wandering_noise_are_told_apart() -> None:
    rng = np.random.default_rng(21)
    t_s = np.arange(BINS) * 0.5
    frames = np.full(BINS, FRAMES)
    values = wandering(rng, t_s, tau_s=10.0, sigma=0.02)
    values += 0.06 / np.sqrt(FRAMES) * rng.standard_normal(values.shape)
    found = fit_temporal_noise(
        values.astype(np.float32),
        t_s=t_s,
        frames=frames,
        segment=np.zeros(BINS, int),
        good=np.ones(PIXELS, bool),
    )
    assert found.white_sigma == pytest.approx(0.06, rel=0.03)
    truth = np.zeros(len(SLOW_TAUS_S))
    truth[SLOW_TAUS_S.index(10.0)] = 0.02**2
    expected = TemporalNoise(white_sigma=0.06, slow_variance=truth)
    seen = found.covariance(t_s, frames=frames)
    meant = expected.covariance(t_s, frames=frames)
    # What matters is the variogram; constants over the whole recording cannot be seen.
    for lag in (1, 4, 20, 80):
        got = seen[0, 0] - seen[0, lag]
        assert got == pytest.approx(meant[0, 0] - meant[0, lag], rel=0.08)


def test_warm_pixels_do_not_count() -> None:
    rng = np.random.default_rng(22)
    t_s = np.arange(BINS) * 0.5
    values = 0.03 * rng.standard_normal((BINS, PIXELS))
    values[:, :400] += np.linspace(0, 5, BINS)[:, None]
    found = fit_temporal_noise(
        values.astype(np.float32),
        t_s=t_s,
        frames=np.ones(BINS, int),
        segment=np.zeros(BINS, int),
        good=np.ones(PIXELS, bool),
    )
    # 8 % outliers widen a median absolute deviation by about 10 % (Huber, Robust Statistics).
    assert found.white_sigma == pytest.approx(0.03, rel=0.12)


def test_steps_between_segments_are_not_noise() -> None:
    rng = np.random.default_rng(23)
    t_s = np.arange(BINS) * 0.5
    segment = (np.arange(BINS) >= 70).astype(int)
    values = 0.03 * rng.standard_normal((BINS, PIXELS))
    values[70:] += rng.standard_normal(PIXELS)
    found = fit_temporal_noise(
        values.astype(np.float32),
        t_s=t_s,
        frames=np.ones(BINS, int),
        segment=segment,
        good=np.ones(PIXELS, bool),
    )
    assert found.white_sigma == pytest.approx(0.03, rel=0.05)
    assert found.slow_variance.sum() < 0.1 * 0.03**2


def test_a_picture_without_noise_is_taken_with_a_floor() -> None:
    found = fit_temporal_noise(
        np.zeros((20, 30), np.float32),
        t_s=np.arange(20.0),
        frames=np.ones(20, int),
        segment=np.zeros(20, int),
        good=np.ones(30, bool),
    )
    assert found.white_sigma > 0
    assert np.linalg.cond(found.covariance(np.arange(20.0), frames=np.ones(20, int))) < 1e6


def test_amounts_are_recovered_from_exact_variances() -> None:
    rng = np.random.default_rng(24)
    t_s = np.arange(60) * 1.0
    components = noise_components(t_s, frames=np.full(60, 9))
    truth = np.array([4e-3, 0, 2e-4, 0, 1e-4, 0, 0])
    contrasts = rng.standard_normal((40, 60))
    covariance = sum(a * c for a, c in zip(truth, components, strict=True))
    variance = np.einsum("rb,bc,rc->r", contrasts, covariance, contrasts)
    found = fit_amounts(variance, contrasts=contrasts, components=components)
    np.testing.assert_allclose(found, truth, atol=1e-6)


def test_robust_variance_is_the_variance_of_clean_noise_and_shrugs_at_outliers() -> None:
    rng = np.random.default_rng(25)
    maps = rng.normal(0.3, 2.0, (3, 90, 120))
    np.testing.assert_allclose(robust_variance(maps), 4.0, rtol=0.04)
    maps[:, :4, :4] += 1000.0
    np.testing.assert_allclose(robust_variance(maps), 4.0, rtol=0.05)
    good = np.zeros((90, 120), bool)
    good[:, :60] = True
    maps[:, :, 60:] = 0.0
    np.testing.assert_allclose(robust_variance(maps, good=good), 4.0, rtol=0.06)
