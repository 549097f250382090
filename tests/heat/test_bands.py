"""Noise of smooth patterns."""

from __future__ import annotations

import cv2
import numpy as np

from hotspot.heat.bands import Bands, measure_bands, measure_quiet_bands, remove_stripes
from hotspot.heat.noise import noise_components

ROWS, COLS, BINS = 72, 96, 40
GOOD = np.zeros((ROWS, COLS), dtype=bool)


def contrasts(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, tuple[np.ndarray, ...]]:
    """Orthonormal quiet and signal weights of white noise, and the components."""
    basis = np.linalg.qr(rng.standard_normal((BINS, 27)))[0].T
    components = noise_components(np.arange(BINS) * 1.0, frames=np.ones(BINS))
    return basis[:24], basis[24:], components


def measured(
    values: np.ndarray, quiet: np.ndarray, weights: np.ndarray, components: tuple[np.ndarray, ...]
) -> Bands:
    seen = measure_quiet_bands(
        np.tensordot(quiet, values, axes=1).astype(np.float32),
        quiet=quiet,
        weights=weights,
        covariance=components[0],
        components=components,
        bad=GOOD,
    )
    maps = np.tensordot(weights, values, axes=1).astype(np.float32)
    return measure_bands(seen, maps=maps, bad=GOOD)


def test_independent_pixels_give_the_unit_matrix() -> None:
    rng = np.random.default_rng(31)
    quiet, weights, components = contrasts(rng)
    values = rng.standard_normal((BINS, ROWS, COLS))
    bands = measured(values, quiet, weights, components)
    assert np.all(np.diff(bands.rad_px) > 0)
    for cov in bands.cov[1:]:  # the widest band has a dozen independent areas only
        np.testing.assert_allclose(cov, np.eye(3), atol=0.3)


def test_smooth_noise_shows_in_the_bands_it_fills() -> None:
    """White noise plus noise smoothed over 6 px: more in bands below 1/6 rad/px than above."""
    rng = np.random.default_rng(32)
    quiet, weights, components = contrasts(rng)
    values = rng.standard_normal((BINS, ROWS, COLS)).astype(np.float32)
    for picture in values:
        picture += 12 * cv2.GaussianBlur(
            rng.standard_normal((ROWS, COLS)).astype(np.float32), (0, 0), 6.0
        )
    bands = measured(values, quiet, weights, components)
    power = np.array([np.trace(c) / 3 for c in bands.cov])
    wide, fine = power[bands.rad_px < 0.15], power[bands.rad_px > 0.4]
    assert wide.min() > 10
    assert fine.max() < 3


def test_drift_that_runs_like_the_signal_counts_as_smooth_noise_and_a_spot_does_not() -> None:
    rng = np.random.default_rng(34)
    quiet, weights, components = contrasts(rng)
    values = rng.standard_normal((BINS, ROWS, COLS)).astype(np.float32)
    y, x = np.mgrid[:ROWS, :COLS]
    clean = measured(values, quiet, weights, components).cov
    spot = np.exp(-0.5 * ((x - 30) ** 2 + (y - 40) ** 2) / 2.0**2)
    with_spot = measured(
        values + 4 * weights[0][:, None, None] * spot, quiet, weights, components
    ).cov
    waves = 3 * np.sin(2 * np.pi * x / 40) * np.sin(2 * np.pi * y / 40)
    with_waves = measured(
        values + weights[0][:, None, None] * waves, quiet, weights, components
    ).cov
    assert max(np.trace(c) for c in with_spot) < 1.3 * max(np.trace(c) for c in clean)
    assert max(np.trace(c) for c in with_waves) > 10 * max(np.trace(c) for c in clean)


def test_stripes_are_taken_off_and_nothing_else() -> None:
    rng = np.random.default_rng(33)
    picture = rng.standard_normal((1, ROWS, COLS)).astype(np.float32)
    clean = remove_stripes(picture)
    striped = picture + rng.standard_normal((1, ROWS, 1)) + rng.standard_normal((1, 1, COLS))
    np.testing.assert_allclose(remove_stripes(striped.astype(np.float32)), clean, atol=1e-5)
    np.testing.assert_allclose(remove_stripes(clean), clean, atol=1e-5)
    assert np.corrcoef(clean.reshape(-1), picture.reshape(-1))[0, 1] > 0.98
