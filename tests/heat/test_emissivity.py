"""How much of the heat each pixel shows, read off the cold picture."""

from __future__ import annotations

import cv2
import numpy as np

from hotspot.heat.emissivity import METAL_DEPTH, estimate_emissivity

SHAPE = (70, 96)
GOOD = np.zeros(SHAPE, bool)


def cold(contrast_k: float, rng: np.random.Generator, noise_k: float = 0.02) -> np.ndarray:
    """Mask at 24 °C; a pad and a can of bare metal show what they mirror."""
    picture = np.full(SHAPE, 24.0, np.float32)
    picture[20:32, 30:48] += contrast_k
    picture[50:54, 10:14] += contrast_k
    picture = cv2.GaussianBlur(picture, (0, 0), 0.7)
    return (picture + rng.normal(0, noise_k, SHAPE)).astype(np.float32)


def test_metal_shows_little_whether_it_mirrors_warmth_or_cold() -> None:
    rng = np.random.default_rng(11)
    for contrast in (-1.5, 1.5):
        shown = estimate_emissivity(cold(contrast, rng), bad=GOOD)
        assert shown is not None
        assert shown[26, 39] < 1 - 0.8 * METAL_DEPTH
        assert np.median(shown) == 1.0
        assert shown[5:15, 60:90].min() > 0.9
        assert shown.min() >= 1 - METAL_DEPTH - 1e-6


def test_a_picture_without_contrast_says_nothing() -> None:
    rng = np.random.default_rng(12)
    assert estimate_emissivity(cold(0.0, rng), bad=GOOD) is None
    assert estimate_emissivity(cold(0.1, rng, noise_k=0.05), bad=GOOD) is None


def test_a_bad_pixel_is_no_metal() -> None:
    rng = np.random.default_rng(13)
    picture = cold(-1.5, rng)
    bad = GOOD.copy()
    bad[10, 70] = True
    picture[10, 70] = -40.0
    shown = estimate_emissivity(picture, bad=bad)
    assert shown is not None
    assert shown[10, 70] == 1.0
    assert shown[26, 39] < 0.4
