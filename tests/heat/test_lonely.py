"""Pixels that change alone."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from hotspot.heat.lonely import find_lonely

ROWS, COLS, BINS = 40, 56, 200


def noise(seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return rng.standard_normal((BINS, ROWS, COLS)).astype(np.float32)


def lonely(values: np.ndarray, segment: np.ndarray | None = None) -> np.ndarray:
    flat = values.reshape(BINS, -1).copy()
    numbers = np.zeros(BINS, np.int64) if segment is None else segment
    return find_lonely(flat, segment=numbers, bad=np.zeros((ROWS, COLS), bool))


def test_noise_has_no_lonely_pixels() -> None:
    assert lonely(noise(1)).sum() == 0


def test_a_pixel_that_steps_alone_is_found() -> None:
    values = noise(2)
    values[90:, 17, 33] += 2.0
    found = lonely(values)
    assert found[17, 33]
    assert found.sum() == 1


@pytest.mark.parametrize("sigma_px", [0.6, 1.0])
@pytest.mark.parametrize("shift", [0.0, 0.5])
def test_heat_through_the_sharpest_optics_is_not(sigma_px: float, shift: float) -> None:
    y, x = np.mgrid[:ROWS, :COLS]
    spot = np.exp(-((x - 33 - shift) ** 2 + (y - 17) ** 2) / (2 * sigma_px**2))
    for peak in (1.5, 5.0, 80.0):
        values = noise(3)
        values[90:] += (peak * spot).astype(np.float32)
        assert lonely(values).sum() == 0


def test_offsets_of_a_shutter_are_not() -> None:
    values = noise(4)
    segment = (np.arange(BINS) >= 120).astype(np.int64)
    values[120:] += 3 * np.random.default_rng(5).standard_normal((ROWS, COLS)).astype(np.float32)
    assert lonely(values, segment).sum() == 0


def test_wide_change_is_not() -> None:
    values = noise(6)
    ramp = np.linspace(0, 4, BINS, dtype=np.float32)
    blob = np.zeros((ROWS, COLS), np.float32)
    blob[20, 20] = 1
    values += ramp[:, None, None] * 60 * cv2.GaussianBlur(blob, (0, 0), 4.0)
    assert lonely(values).sum() == 0
