"""Noise of smooth patterns."""

from __future__ import annotations

import cv2
import numpy as np

from hotspot.heat.bands import measure_bands, remove_stripes
from hotspot.heat.noise import noise_components

ROWS, COLS, BINS = 72, 96, 40
GOOD = np.zeros((ROWS, COLS), dtype=bool)


def contrasts(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, tuple[np.ndarray, ...]]:
    """Orthonormal quiet and signal weights of white noise, and the components."""
    basis = np.linalg.qr(rng.standard_normal((BINS, 27)))[0].T
    components = noise_components(np.arange(BINS) * 1.0, frames=np.ones(BINS))
    return basis[:24], basis[24:], components


def test_independent_pixels_give_the_unit_matrix() -> None:
    rng = np.random.default_rng(31)
    quiet, weights, components = contrasts(rng)
    values = rng.standard_normal((BINS, ROWS, COLS))
    maps = np.tensordot(quiet, values, axes=1).astype(np.float32)
    bands = measure_bands(maps, quiet=quiet, weights=weights, components=components, bad=GOOD)
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
    maps = np.tensordot(quiet, values, axes=1).astype(np.float32)
    bands = measure_bands(maps, quiet=quiet, weights=weights, components=components, bad=GOOD)
    power = np.array([np.trace(c) / 3 for c in bands.cov])
    wide, fine = power[bands.rad_px < 0.15], power[bands.rad_px > 0.4]
    assert wide.min() > 10
    assert fine.max() < 3


def test_stripes_are_taken_off_and_nothing_else() -> None:
    rng = np.random.default_rng(33)
    picture = rng.standard_normal((1, ROWS, COLS)).astype(np.float32)
    clean = remove_stripes(picture)
    striped = picture + rng.standard_normal((1, ROWS, 1)) + rng.standard_normal((1, 1, COLS))
    np.testing.assert_allclose(remove_stripes(striped.astype(np.float32)), clean, atol=1e-5)
    np.testing.assert_allclose(remove_stripes(clean), clean, atol=1e-5)
    assert np.corrcoef(clean.reshape(-1), picture.reshape(-1))[0, 1] > 0.98
