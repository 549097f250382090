"""Detection and localisation against published formulas and their numbers.

The numbers were computed from the formulas with general-purpose libraries (scipy, numpy) apart from
this project; each check names where the formula is printed.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm
from skimage.filters import gaussian as skimage_gaussian

from hotspot.heat.drive import drive_from_edges
from hotspot.heat.noise import SLOW_TAUS_S, TemporalNoise
from hotspot.locate.centre import SYSTEMATIC_PX, measure_centre
from hotspot.locate.detect import false_alarm_probability
from hotspot.locate.parts import part_false_alarm
from tests.locate.white_field import gaussian, rendered, scored, white_field

SHAPE = (72, 90)
LEVELS_OF_RESELS = [  # resels, level at which 0.05 maxima are expected
    (100, 3.794020),
    (1000, 4.392338),
    (3072, 4.653246),
]


@pytest.mark.parametrize(("width", "gain"), [(1.5, 2.658681), (2.0, 3.544908), (3.0, 5.317362)])
def test_matched_filter_gain(width: float, gain: float) -> None:
    """SNR gain over one pixel sqrt(sum g^2) = sqrt(pi) w: North 1943; Kay vol. 2, ch. 4."""
    spot = rendered(white_field(np.zeros((1, *SHAPE))), sigma_px=width)
    assert np.sqrt(spot.energy) == pytest.approx(gain, rel=2e-3)


@pytest.mark.parametrize("width", [1.0, 1.5, 2.0])
@pytest.mark.parametrize("peak", [5.0, 20.0])
def test_position_bound(width: float, peak: float) -> None:
    """sigma_x = sqrt(2/pi) s/A for any well-sampled width: Fisher information; Kay vol. 1, ch. 3.

    Numbers at s/A = 1/5 and 1/20: 0.159577 and 0.0398942 px.
    """
    bound = {5.0: 0.159577, 20.0: 0.0398942}[peak]
    maps = peak * gaussian(SHAPE, (45.0, 36.0), width)
    scores = scored(white_field(maps[None]), sigma_px=width)
    centre = measure_centre(scores, row=36, column=45)
    statistical = np.sqrt(np.diag(centre.cov_px2) - SYSTEMATIC_PX**2)
    np.testing.assert_allclose(statistical, bound, rtol=0.015)
    np.testing.assert_allclose(centre.xy_px, (45.0, 36.0), atol=1e-3)


@pytest.mark.parametrize(("resels", "level"), LEVELS_OF_RESELS)
def test_expected_maxima_of_a_smooth_field(resels: float, level: float) -> None:
    """Area term R 4 ln 2 (2 pi)^-3/2 u exp(-u^2/2): Adler & Taylor; Worsley 1996. E = 0.05.

    Ours adds edges and the single point, which the area term alone leaves out.
    """
    fwhm_px = 4.0
    area = resels * fwhm_px**2
    roughness = np.array([4 * np.log(2) / fwhm_px**2])
    chance = false_alarm_probability(level, area_px=area, roughness=roughness)
    expected = -np.log1p(-chance)
    edge_term = 2 * np.sqrt(area * roughness[0]) / (2 * np.pi) * np.exp(-0.5 * level**2)
    assert expected - edge_term - norm.sf(level) == pytest.approx(0.05, rel=1e-5)
    assert 0.05 <= expected < 0.05 * 1.5


def test_expected_maxima_with_edges() -> None:
    """256 x 192 px, FWHM 4 px, E = 0.05 at u = 4.655892 (area, edge and point terms)."""
    chance = false_alarm_probability(
        4.655892, area_px=256 * 192, roughness=np.array([4 * np.log(2) / 16])
    )
    assert -np.log1p(-chance) == pytest.approx(0.05, rel=2e-3)


@pytest.mark.parametrize("width", [1.0, 2.0])
def test_roughness_of_filtered_noise(width: float) -> None:
    """Noise through a Gaussian of sd w: gradient covariance 1 / (2 w^2) = 4 ln 2 / FWHM^2."""
    spot = rendered(white_field(np.zeros((1, *SHAPE))), sigma_px=width)
    fwhm_px = 2.354820 * width
    # A filter of 1 px is close to the pixel grid: its spectrum is cut at half a wave a pixel.
    assert spot.roughness == pytest.approx(4 * np.log(2) / fwhm_px**2, rel=0.02)
    np.testing.assert_allclose(np.diag(spot.curvature), 1 / (2 * width**2), rtol=0.02)


def test_the_filter_is_a_gaussian_smoother_of_another_library() -> None:
    """In white noise the matched filter is smoothing with the spot: scikit-image agrees."""
    rng = np.random.default_rng(61)
    maps = rng.standard_normal((1, *SHAPE))
    z = scored(white_field(maps), sigma_px=2.0).z[0]
    other = skimage_gaussian(maps[0], sigma=2.0, mode="constant", truncate=6.0)
    other = other * 2 * np.pi * 4.0 / (np.sqrt(np.pi) * 2.0)
    np.testing.assert_allclose(z, other, atol=2e-3)


def test_a_dozen_parts_need_less_than_a_picture() -> None:
    """One of M independent tests, 5 % in all (Sidak 1967): M = 60 here; level from scipy."""
    level = float(norm.isf(1 - 0.95 ** (1 / 60)))
    assert part_false_alarm(level, parts=12, trials=1.0) == pytest.approx(0.05, rel=1e-6)
    picture = false_alarm_probability(
        level, area_px=160 * 120, roughness=np.array([4 * np.log(2) / 9])
    )
    assert picture > 0.9


def test_a_body_warms_as_lumped_capacitance_does() -> None:
    """1 - exp(-t/tau): 63.212 % after one time constant (Incropera & DeWitt, eq. 5.6)."""
    drive = drive_from_edges((2.0,))
    at = drive.lowpass(np.array([2.0, 5.0, 8.0, 11.0]), tau_s=3.0)
    np.testing.assert_allclose(at, [0.0, 0.6321206, 0.8646647, 0.9502129], atol=1e-7)


def test_a_long_train_is_a_first_order_low_pass_at_its_fundamental() -> None:
    """Amplitude 2/pi / sqrt(1 + (w tau)^2), lag atan(w tau): lock-in thermography (Breitenstein).

    From memory; the series of a square wave is a textbook's.
    """
    period, tau = 4.0, 1.5
    edges = tuple(0.5 * period * i for i in range(400))
    t = np.arange(700, 780, 1e-3)
    y = drive_from_edges(edges).lowpass(t, tau_s=tau)
    w = 2 * np.pi / period
    phasor = 2 * np.mean(y * np.exp(-1j * w * t))
    assert abs(phasor) == pytest.approx(2 / np.pi / np.hypot(1, w * tau), rel=1e-3)
    # A square wave that is on first is a sine: phase -90 degrees, less the lag.
    assert np.angle(phasor) == pytest.approx(-np.pi / 2 - np.arctan(w * tau), abs=2e-3)


def test_wandering_noise_has_an_exponential_covariance() -> None:
    """Ornstein & Uhlenbeck 1930: s^2 exp(-|lag|/tau); white noise averages as 1/n."""
    slow = np.zeros(len(SLOW_TAUS_S))
    slow[SLOW_TAUS_S.index(3.0)] = 4.0
    t = np.array([0.0, 3.0, 6.0])
    cov = TemporalNoise(white_sigma=0.5, slow_variance=slow).covariance(
        t, frames=np.array([1, 4, 25])
    )
    expected = 4 * np.exp(-np.abs(t[:, None] - t[None]) / 3) + np.diag([0.25, 0.0625, 0.01])
    np.testing.assert_allclose(cov, expected, rtol=1e-12)
