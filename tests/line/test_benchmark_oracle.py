"""The yardstick of the detection benchmark, itself measured."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.alternatives import ALTERNATIVES, averaged_difference
from tests.benchmarks.oracle import bound_of, noise_covariance
from tests.locate.white_field import gaussian

SHAPE = (60, 84)
WIDTH, PEAK_K, WHITE_K = 1.5, 0.02, 0.05
T_S = np.arange(0.25, 40, 0.5)


def test_the_bound_is_the_closed_form_for_a_step_in_white_noise() -> None:
    """SNR = A sqrt(pi) w / s * sqrt(n_on n_off / n); error sqrt(2/pi) s_eff / A (Kay)."""
    on = T_S > 15
    rise = PEAK_K * on[:, None, None] * gaussian(SHAPE, (41.0, 28.0), WIDTH)
    rng = np.random.default_rng(5)
    covariance = noise_covariance(T_S, frames=4.5, white_k=WHITE_K, flicker_k=0.0)
    bound = bound_of(rise, covariance, cold=rng.normal(24, 0.01, SHAPE))
    frames = 4.5 * on.sum() * (~on).sum() / len(on)
    snr = PEAK_K * np.sqrt(np.pi) * WIDTH / WHITE_K * np.sqrt(frames)
    assert bound.snr == pytest.approx(snr, rel=0.02)  # the surfaces of drift cost a little
    sigma = np.sqrt(2 / np.pi) * WHITE_K / np.sqrt(frames) / PEAK_K
    assert bound.median_error_px == pytest.approx(1.17741 * sigma, rel=0.03)


def test_wandering_noise_and_shared_drift_cost_signal() -> None:
    on = T_S > 15
    rise = PEAK_K * on[:, None, None] * gaussian(SHAPE, (41.0, 28.0), WIDTH)
    cold = np.random.default_rng(5).normal(24, 0.5, SHAPE)
    white = noise_covariance(T_S, frames=4.5, white_k=WHITE_K, flicker_k=0.0)
    wandering = noise_covariance(T_S, frames=4.5, white_k=WHITE_K, flicker_k=0.02)
    plain = bound_of(rise, white, cold=cold).snr
    assert bound_of(rise, wandering, cold=cold).snr < 0.8 * plain
    shared = rise + 0.01 * on[:, None, None] * cold
    assert bound_of(shared, white, cold=cold).snr == pytest.approx(plain, rel=1e-6)


@pytest.mark.parametrize("name", list(ALTERNATIVES))
def test_the_alternatives_see_a_plain_spot(name: str) -> None:
    rng = np.random.default_rng(6)
    t_s = np.arange(200) / 9
    frames = rng.normal(25, 0.05, (200, *SHAPE))
    frames += 0.2 * (t_s >= 8)[:, None, None] * gaussian(SHAPE, (41.4, 28.7), WIDTH)
    found = ALTERNATIVES[name](averaged_difference(frames, t_s, (8.0,)))
    assert found is not None
    np.testing.assert_allclose(found, (41.4, 28.7), atol=1.0)
