"""The noise of contrast maps, measured and inverted."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from hotspot.heat.bands import Bands
from hotspot.heat.waves import frequencies, half_weights, padded_shape
from hotspot.locate.field import (
    build_field,
    fill_bad,
    reddened,
)

ROWS, COLS = 60, 85
GOOD = np.zeros((ROWS, COLS), bool)
NO_BANDS = Bands(rad_px=np.zeros(0), cov=np.zeros((0, 2, 2)), quiet_power=np.zeros(0))


@pytest.mark.parametrize("shape", [(60, 85), (61, 84), (192, 256)])
def test_half_spectrum_sums_are_whole_sums(shape: tuple[int, int]) -> None:
    """Parseval's theorem against numpy's full transform."""
    padded = padded_shape(shape)
    assert padded[0] >= shape[0] + 24
    assert padded[1] >= shape[1] + 24
    picture = np.random.default_rng(71).standard_normal(padded)
    half = np.abs(np.fft.rfft2(picture)) ** 2
    assert (half * half_weights(padded)).sum() == pytest.approx(
        (np.abs(np.fft.fft2(picture)) ** 2).sum(), rel=1e-12
    )
    ky, kx = frequencies(padded)
    assert (ky + kx).shape == half.shape
    assert np.abs(ky).max() <= np.pi + 1e-12


def test_bad_pixels_are_filled_from_good_neighbours() -> None:
    y, x = np.mgrid[:ROWS, :COLS]
    maps = (0.1 * x + 0.2 * y).astype(np.float32)[None]
    bad = GOOD.copy()
    bad[20, 30] = bad[20, 31] = bad[44, 50] = True
    holed = maps.copy()
    holed[:, bad] = 1e6
    np.testing.assert_allclose(fill_bad(holed, bad)[:, bad], maps[:, bad], atol=0.15)
    np.testing.assert_array_equal(fill_bad(holed, bad)[:, ~bad], maps[:, ~bad])


def test_white_noise_has_a_flat_inverse_and_unit_local_strength() -> None:
    rng = np.random.default_rng(72)
    quiet = rng.standard_normal((24, ROWS, COLS)).astype(np.float32)
    field = build_field(quiet[:2] * 0, quiet=quiet, bad=GOOD, bands=NO_BANDS)
    assert np.median(field.local_sigma) == pytest.approx(1.0, abs=0.03)
    inverse = field.inverse_noise[0, 0]
    assert np.median(inverse) == pytest.approx(1.0, abs=0.05)
    assert inverse[0, 0] == 0  # what drift removal leaves nothing of
    assert np.all(field.inverse_noise[0, 1] == 0)


def test_noise_that_the_optics_correlate_is_whitened() -> None:
    rng = np.random.default_rng(73)
    blurred = np.stack(
        [cv2.GaussianBlur(rng.standard_normal((ROWS, COLS)), (0, 0), 0.8) for _ in range(24)]
    ).astype(np.float32)
    field = build_field(blurred[:1] * 0, quiet=blurred, bad=GOOD, bands=NO_BANDS)
    ky, kx = frequencies(field.padded)
    k2 = ky**2 + kx**2
    # The noise's spectrum falls as exp(-s^2 k^2); up to the floor of a twentieth of the middle.
    middle = (k2 > 0.5) & (k2 < 2.5) & (np.abs(ky) > 0.3) & (kx > 0.3)
    slope = np.polyfit(k2[middle], np.log(field.inverse_noise[0, 0][middle]), 1)[0]
    assert slope == pytest.approx(0.8**2, rel=0.1)


def test_row_noise_is_trusted_less_on_its_line_and_nowhere_else() -> None:
    rng = np.random.default_rng(74)
    quiet = rng.standard_normal((24, ROWS, COLS)) + rng.standard_normal((24, ROWS, 1))
    field = build_field(
        quiet[:1].astype(np.float32) * 0, quiet=quiet.astype(np.float32), bad=GOOD, bands=NO_BANDS
    )
    inverse = field.inverse_noise[0, 0]
    assert np.median(inverse[20:60, 0]) < 0.1 * np.median(inverse[20:60, 20:40])


def test_where_the_picture_is_restless_it_counts_for_less() -> None:
    rng = np.random.default_rng(75)
    quiet = rng.standard_normal((24, ROWS, COLS)).astype(np.float32)
    quiet[:, 20:40, 50:70] *= 5
    field = build_field(quiet[:1], quiet=quiet, bad=GOOD, bands=NO_BANDS)
    assert field.local_sigma[30, 60] == pytest.approx(5.0, rel=0.1)
    assert field.local_sigma[30, 20] == pytest.approx(1.0, rel=0.15)
    np.testing.assert_allclose(field.maps * field.local_sigma, quiet[:1], rtol=1e-5)


def test_a_band_of_more_noise_is_trusted_less_below_it() -> None:
    rng = np.random.default_rng(76)
    quiet = rng.standard_normal((24, ROWS, COLS)).astype(np.float32)
    cov = np.array([[[30.0, 10.0], [10.0, 20.0]], [[1.0, 0.0], [0.0, 1.0]]])
    bands = Bands(rad_px=np.array([0.15, 0.5]), cov=cov, quiet_power=np.array([1.0, 1.0]))
    field = build_field(quiet[:2], quiet=quiet, bad=GOOD, bands=bands)
    ky, kx = frequencies(field.padded)
    radius = np.hypot(ky, kx)
    # At the lowest frequencies that count, the inverse is that of the lower band's covariance.
    low = (radius > 0.12) & (radius < 0.16) & (field.inverse_noise[0, 0] > 0)
    got = field.inverse_noise[:, :, low].mean(axis=2)
    np.testing.assert_allclose(got, np.linalg.inv(cov[0]), atol=0.01)
    high = (radius > 1.0) & (np.abs(ky) > 0.3) & (kx > 0.3)
    assert field.inverse_noise[0, 0][high].mean() == pytest.approx(1.0, abs=0.1)


def test_doubt_weakens_a_place_but_not_a_strong_spots_shape() -> None:
    rng = np.random.default_rng(77)
    quiet = rng.standard_normal((20, ROWS, COLS)).astype(np.float32)
    doubt = np.zeros((ROWS, COLS), np.float32)
    doubt[10:20, 10:20] = 3.0
    sure = build_field(quiet[:2], quiet=quiet, bad=GOOD, bands=NO_BANDS)
    unsure = build_field(quiet[:2], quiet=quiet, bad=GOOD, bands=NO_BANDS, doubt=doubt)
    np.testing.assert_allclose(unsure.quiet_sigma, sure.local_sigma)
    np.testing.assert_allclose(unsure.local_sigma[15, 15], np.hypot(sure.local_sigma[15, 15], 3.0))
    np.testing.assert_allclose(unsure.local_sigma[40, 40], sure.local_sigma[40, 40])
    # What limits a strong spot is its shape: an even noise, the quiet one.
    even = reddened(unsure, maps=quiet[:2]).local_sigma
    np.testing.assert_allclose(even, np.median(sure.local_sigma), rtol=1e-6)
