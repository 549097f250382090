"""Courses seen in the whole picture: energy as computed, noise made white, wide heat heard."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from hotspot.heat.bins import BinnedFrames
from hotspot.heat.courses import Courses, build_courses
from hotspot.heat.spectrum import measure_spectrum
from hotspot.heat.waves import frequencies
from hotspot.heat.wide_courses import WIDE_SPREADS_PX, build_wide_courses

ROWS, COLS, BINS = 90, 120, 160
NONE_BAD = np.zeros((ROWS, COLS), bool)
AT_PX, COV = np.array([[61.3, 40.7]]), 1.2 * np.eye(2)[None]


def bins_of(pictures: np.ndarray) -> BinnedFrames:
    n = len(pictures)
    return BinnedFrames(
        values=pictures.reshape(n, -1).astype(np.float32),
        frames=np.full(n, 3),
        segment=np.zeros(n, np.int64),
        t_s=0.33 * np.arange(n),
        reference=np.zeros((ROWS, COLS), np.float32),
        bin_of_frame=np.repeat(np.arange(n), 3),
        noise=np.ones((ROWS, COLS), np.float32),
        shape=(ROWS, COLS),
    )


def noise(*, smooth: float, seed: int = 1) -> np.ndarray:
    """White noise of unit sigma, and smooth noise that is new in each bin."""
    rng = np.random.default_rng(seed)
    out = rng.standard_normal((BINS, ROWS, COLS))
    if smooth:
        rough = rng.standard_normal((BINS, ROWS, COLS))
        wide = gaussian_filter(rough, (0, 5, 5))
        out += smooth * wide / wide.std()
    return out


def blob(sigma_px: float) -> np.ndarray:
    y, x = np.mgrid[:ROWS, :COLS]
    r2 = (x - AT_PX[0, 0]) ** 2 + (y - AT_PX[0, 1]) ** 2
    return np.exp(-0.5 * r2 / sigma_px**2)


def courses(pictures: np.ndarray, places: np.ndarray = AT_PX) -> Courses:
    cov = np.broadcast_to(COV[0], (len(places), 2, 2))
    return build_wide_courses(
        bins_of(pictures), bad=NONE_BAD, places=places, place_cov_px2=cov, emissivity=None
    )


def test_white_noise_is_white() -> None:
    spectrum = measure_spectrum(bins_of(noise(smooth=0.0)), bad=NONE_BAD)
    seen = spectrum.inverse[spectrum.inverse > 0]
    assert np.median(seen) == pytest.approx(1.0, abs=0.05)
    assert np.quantile(seen, 0.02) > 0.8


def test_smooth_noise_is_weighted_by_its_power() -> None:
    spectrum = measure_spectrum(bins_of(noise(smooth=1.0)), bad=NONE_BAD)
    ky, kx = frequencies(spectrum.padded)
    radius = np.hypot(ky, kx)
    # A Gaussian of 5 px in white noise: power 4 pi 25 exp(-25 k^2) over its unit variance.
    inside = (radius > 0.15) & (radius < 0.35) & (spectrum.inverse > 0)
    expected = 1 / (1 + 4 * np.pi * 25 * np.exp(-25 * radius[inside] ** 2))
    np.testing.assert_allclose(np.mean(spectrum.inverse[inside] / expected), 1.0, atol=0.35)
    assert np.median(spectrum.inverse[radius > 1.0]) == pytest.approx(1.0, abs=0.06)


def test_few_bins_say_nothing_of_the_noise() -> None:
    short = measure_spectrum(bins_of(noise(smooth=1.0)[:20]), bad=NONE_BAD)
    assert set(np.unique(short.inverse)) == {0.0, 1.0}


@pytest.mark.parametrize("smooth", [0.0, 1.0])
def test_the_gram_is_the_noise_of_the_courses(smooth: float) -> None:
    y, x = np.mgrid[20 : ROWS - 20 : 5j, 20 : COLS - 20 : 7j]
    places = np.stack([x.ravel(), y.ravel()], axis=1)
    seen = courses(noise(smooth=smooth), places)
    spread = np.mean(np.var(seen.values, axis=1), axis=1)  # (widths,)
    power = np.mean(np.diagonal(seen.gram, axis1=1, axis2=2), axis=0)
    ratio = spread / power
    np.testing.assert_allclose(ratio[:5], ratio[0], rtol=0.25)
    assert ratio[0] == pytest.approx(1.0, rel=0.25)


def test_a_blob_is_heard_as_the_gram_says() -> None:
    sigma = np.sqrt(1.2)
    pictures = np.zeros((BINS, ROWS, COLS))
    pictures[BINS // 2 :] = 1.0
    pictures *= blob(sigma)
    rng = np.random.default_rng(3)
    seen = courses(pictures + 1e-3 * rng.standard_normal(pictures.shape))
    rise = seen.values[:, BINS // 2 :, 0].mean(axis=1) - seen.values[:, : BINS // 2, 0].mean(axis=1)
    np.testing.assert_allclose(rise / rise[0], seen.gram[0, :, 0] / seen.gram[0, 0, 0], atol=0.03)


def test_wide_heat_is_heard_better_than_through_a_window() -> None:
    """As much heat as the noise allows: the matched filter of a wide blob, in white noise."""
    sigma = float(np.sqrt(1.2 + WIDE_SPREADS_PX[6] ** 2))
    shape = blob(sigma)
    pictures = noise(smooth=0.0)
    pictures[BINS // 2 :] += 0.1 * shape
    wide = courses(pictures)
    narrow = build_courses(
        bins_of(pictures), bad=NONE_BAD, places=AT_PX, place_cov_px2=COV, emissivity=None
    )

    def snr(course: np.ndarray) -> float:
        return float(course[BINS // 2 :].mean() - course[: BINS // 2].mean()) * np.sqrt(BINS / 4)

    heard = snr(wide.normalised(6)[:, 0])
    best = 0.1 * np.sqrt(np.sum(shape**2)) * np.sqrt(BINS / 4)
    # Of so wide a blob, half is in the waves that drift and stripes take.
    assert heard > 0.45 * best
    assert heard > 2 * max(snr(narrow.normalised(w)[:, 0]) for w in range(len(narrow.values)))


def test_a_long_body_is_heard_as_any_other() -> None:
    """Wide along one axis and narrow along the other."""
    cov = np.array([[[60.0, 20.0], [20.0, 9.0]]])
    pictures = noise(smooth=0.0, seed=5)
    seen = build_wide_courses(
        bins_of(pictures), bad=NONE_BAD, places=AT_PX, place_cov_px2=cov, emissivity=None
    )
    spread = seen.values.var(axis=1)[:, 0] / np.diag(seen.gram[0])
    np.testing.assert_allclose(spread[:6], 1.0, rtol=0.5)  # wider ones feel the border


def test_a_place_outside_the_picture_says_nothing() -> None:
    seen = courses(noise(smooth=0.0), np.array([[-9.0, 12.0], [61.3, 40.7]]))
    assert not seen.values[:, :, 0].any()
    assert seen.values[:, :, 1].any()
    assert np.isfinite(seen.gram).all()


def test_bad_pixels_are_left_out() -> None:
    pictures = noise(smooth=0.0)
    broken = pictures.copy()
    broken[:, 41, 61] = 1e6
    bad = NONE_BAD.copy()
    bad[41, 61] = True
    given = {"bad": bad, "places": AT_PX, "place_cov_px2": COV, "emissivity": None}
    one = build_wide_courses(bins_of(pictures), **given)  # type: ignore[arg-type]
    other = build_wide_courses(replace(bins_of(broken)), **given)  # type: ignore[arg-type]
    np.testing.assert_allclose(one.values, other.values, rtol=1e-4, atol=1e-4)
