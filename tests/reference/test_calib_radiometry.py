"""Planck in a band, emissivity, fixed points and platinum thermometers against outside values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from iapws.iapws97 import _TSat_P
from scipy import constants, integrate

from calib.planck import Band, band_radiance, band_slope, spectral_radiance, to_temperature_c
from calib.radiometry import Target, to_apparent_c, to_true_c
from calib.references import (
    PT_CLASSES,
    air_pressure_hpa,
    boiling_point,
    gallium_point,
    pt100_c,
    pt100_ohm,
    pt100_reading,
    saturation_c,
    thermometer,
)
from calib.response import ResponsePoint, fit_response

ZERO = 273.15


def test_spectral_radiance_at_10_um_and_300_k() -> None:
    # Planck's law with CODATA constants, computed with scipy and astropy alike.
    assert float(spectral_radiance(10.0, 300.0)) == pytest.approx(9.924033, rel=1e-6)


def test_band_radiance_8_to_14_um() -> None:
    # Incropera et al., Fundamentals of Heat and Mass Transfer 7e, eq. 12.30; computed with
    # scipy's quad and with astropy's black body.
    kelvin = np.array([273, 273.15, 293.15, 300, 310, 323.15, 350, 373.15])
    radiance = [35.05644, 35.15196, 49.37289, 54.93346, 63.69439, 76.38638, 106.44447, 136.77834]
    slope = [0.6362667, 0.6373540, 0.7857785, 0.8378213, 0.9144742, 1.0159366, 1.2226180, 1.3972259]
    np.testing.assert_allclose(band_radiance(kelvin - ZERO), radiance, rtol=3e-7)
    np.testing.assert_allclose(band_slope(kelvin - ZERO), slope, rtol=3e-7)


@pytest.mark.parametrize(
    ("low", "high", "radiance", "slope"),
    [
        (7.5, 13, 51.47698, 0.8327050),
        (7.5, 14, 59.31170, 0.9283144),
        (8, 12, 38.50042, 0.6297043),
        (3, 5, 1.865956, 0.06769834),
    ],
)
def test_other_bands_at_300_k(low: float, high: float, radiance: float, slope: float) -> None:
    band = Band((low, high), (1.0, 1.0))
    assert float(band_radiance(300 - ZERO, band=band)) == pytest.approx(radiance, rel=1e-6)
    assert float(band_slope(300 - ZERO, band=band)) == pytest.approx(slope, rel=1e-6)


@pytest.mark.parametrize(
    ("lambda_t", "fraction"),
    [
        (2000, 0.06672994),
        (2400, 0.14025738),
        (3000, 0.27322926),
        (4000, 0.48086464),
        (6000, 0.73778942),
        (10000, 0.91415697),
        (50000, 0.99890388),
    ],
)
def test_band_fractions_of_the_textbook_table(lambda_t: float, fraction: float) -> None:
    # F(0 -> λT): Incropera 7e table 12.1; Siegel and Howell, appendix. 2000 K puts all but 1e-9
    # of the light above 0.2 µm.
    kelvin = 1000.0
    edge = lambda_t / kelvin
    radiance = float(band_radiance(kelvin - ZERO, band=Band((0.2, edge), (1.0, 1.0))))
    found = math.pi * radiance / (constants.Stefan_Boltzmann * kelvin**4)
    assert found == pytest.approx(fraction, abs=2e-7)


def test_the_whole_spectrum_gives_stefan_boltzmann() -> None:
    kelvin = 1500.0
    radiance = float(band_radiance(kelvin - ZERO, band=Band((0.2, 100.0), (1.0, 1.0))))
    # Beyond λT = 150000 µm K lie 4.3e-5 of the light (series of the table above).
    assert math.pi * radiance == pytest.approx(constants.Stefan_Boltzmann * kelvin**4, rel=6e-5)


def test_a_sloping_response_equals_scipys_quadrature() -> None:
    band = Band((7.0, 8.5, 11.0, 13.5, 14.5), (0.0, 0.8, 1.0, 0.7, 0.0))
    kelvin = 310.0

    def integrand(um: float) -> float:
        x = constants.h * constants.c / (um * 1e-6 * constants.k * kelvin)
        planck = 2 * constants.h * constants.c**2 / (um * 1e-6) ** 5 / math.expm1(x) * 1e-6
        return planck * float(np.interp(um, band.wavelength_um, band.response))

    expected = integrate.quad(integrand, 7.0, 14.5, points=band.wavelength_um[1:-1])[0]
    assert float(band_radiance(kelvin - ZERO, band=band)) == pytest.approx(expected, rel=1e-9)
    assert float(to_temperature_c(expected, band=band)) == pytest.approx(kelvin - ZERO, abs=1e-6)


def test_apparent_temperature_through_emissivity() -> None:
    # Radiometric chain: Vollmer and Möllmann, Infrared Thermal Imaging, ch. 2-3; ISO 18434-1.
    # Numbers computed with scipy.
    cases = [
        (60, 23, 0.95, 58.3822), (60, 23, 0.9, 56.7456), (60, 23, 0.6, 46.4869),
        (60, 23, 0.3, 35.3315), (60, 23, 0.1, 27.2641), (40, 23, 0.9, 38.4078),
        (40, 23, 0.3, 28.3738), (30, 23, 0.1, 23.7206), (25, 60, 0.3, 50.4765),
        (100, 20, 0.95, 96.8457), (100, 20, 0.85, 90.3687),
    ]  # fmt: skip
    for true_c, reflected_c, emissivity, apparent_c in cases:
        target = Target(emissivity=emissivity, reflected_c=reflected_c)
        assert float(to_apparent_c(true_c, target)) == pytest.approx(apparent_c, abs=2e-4)
        assert float(to_true_c(apparent_c, target)) == pytest.approx(true_c, abs=1e-3)


def test_true_temperature_and_a_window() -> None:
    for apparent_c, emissivity, true_c in [
        (40, 0.9, 41.7450),
        (40, 0.6, 50.1240),
        (30, 0.3, 44.8447),
        (27.6, 0.1, 62.5646),
        (50, 0.95, 51.2694),
    ]:
        target = Target(emissivity=emissivity, reflected_c=23)
        assert float(to_true_c(apparent_c, target)) == pytest.approx(true_c, abs=2e-4)
    # Window as in ASTM E1897; number computed with scipy.
    behind = Target(emissivity=0.95, reflected_c=20, transmission=0.9, window_c=25)
    assert float(to_apparent_c(60, behind)) == pytest.approx(55.3085, abs=1e-3)
    assert float(to_true_c(to_apparent_c(60, behind), behind)) == pytest.approx(60, abs=1e-6)


def test_standard_atmosphere() -> None:
    # ISO 2533:1975 / ICAO Doc 7488.
    metres = [0, 250, 500, 1000, 1500, 2000, 2500, 3000, 4000]
    pascal = [
        101325,
        98357.54,
        95460.84,
        89874.57,
        84556.00,
        79495.22,
        74682.53,
        70108.54,
        61640.24,
    ]
    np.testing.assert_allclose([100 * air_pressure_hpa(m) for m in metres], pascal, rtol=1e-6)


def test_boiling_water_against_an_independent_library_and_iapws_95() -> None:
    # `iapws` implements IAPWS-IF97; IAPWS-95 values computed with CoolProp (within 2e-4 K).
    for pressure_hpa in (600.0, 800.0, 950.0, 1013.25, 1060.0):
        library_c = _TSat_P(pressure_hpa * 1e-4) - ZERO
        assert saturation_c(pressure_hpa) == pytest.approx(library_c, abs=1e-9)
    for pressure_hpa, iapws95_c in [(950, 98.1784), (980, 99.0422), (1000, 99.6059),
                                    (1013.25, 99.9743), (1030, 100.4343)]:  # fmt: skip
        assert saturation_c(pressure_hpa) == pytest.approx(iapws95_c, abs=1e-3)
    for altitude_m, celsius in [(0, 99.9743), (500, 98.3125), (1500, 94.9831), (4000, 86.6195)]:
        point = boiling_point(altitude_m=altitude_m)
        assert point.temperature_c == pytest.approx(celsius, abs=1e-3)
    slope = (saturation_c(1014.25) - saturation_c(1012.25)) / 2
    assert slope == pytest.approx(0.027651, rel=1e-3)


def test_gallium() -> None:
    assert gallium_point().temperature_c == 29.7646  # ITS-90, table 1


def test_platinum_thermometer() -> None:
    # IEC 60751: formula and table 1; classes from memory of the standard's table.
    celsius = [-40, -10, 0, 10, 20, 25, 29.7646, 37, 50, 60, 75, 85, 100, 125, 150, 200]
    ohm = [84.2707, 96.0859, 100, 103.9025, 107.7935, 109.7347, 111.5817, 114.3817, 119.3971,
           123.2419, 128.9874, 132.8033, 138.5055, 147.9514, 157.3251, 175.8560]  # fmt: skip
    np.testing.assert_allclose([pt100_ohm(t) for t in celsius], ohm, atol=1e-4)
    np.testing.assert_allclose([pt100_c(r) for r in ohm], celsius, atol=3e-4)
    np.testing.assert_allclose(
        [pt100_c(r) for r in (100.39, 109.73, 110, 119.40, 138.51)],
        [0.9980, 24.9880, 25.6840, 50.0075, 100.0119],
        atol=1e-4,
    )
    limits = {k: [a + b * t for t in (0, 25, 50, 100)] for k, (a, b) in PT_CLASSES.items()}
    np.testing.assert_allclose(limits["AA"], [0.1, 0.1425, 0.185, 0.27])
    np.testing.assert_allclose(limits["A"], [0.15, 0.2, 0.25, 0.35])
    np.testing.assert_allclose(limits["B"], [0.3, 0.425, 0.55, 0.8])
    # A pair of leads of 1 ohm reads 2.58 K too high at 25 °C.
    wrong = pt100_reading(109.7347 + 1.0).temperature_c
    assert wrong - 25 == pytest.approx(2.58, abs=0.02)
    assert pt100_reading(110.7347, lead_ohm=1.0).temperature_c == pytest.approx(25, abs=1e-3)


def test_two_black_bodies_fix_a_sensor_linear_in_radiance() -> None:
    # Worked numbers computed with scipy: 7000 counts at 20 °C, 7800 at 40 °C.
    points = tuple(
        ResponsePoint(thermometer(t, sigma_k=0.05), c) for t, c in [(20, 7000), (40, 7800)]
    )
    fit = fit_response(points, kind="radiance")
    assert fit.slope == pytest.approx(46.402925, rel=1e-7)
    assert fit.intercept == pytest.approx(4708.953, abs=1e-3)
    read = to_temperature_c((np.array([7400, 8600]) - fit.intercept) / fit.slope)
    np.testing.assert_allclose(read, [30.4430, 57.1553], atol=1e-3)
    line = fit_response(points, kind="linear")
    np.testing.assert_allclose(
        (np.array([7400, 8600]) - line.intercept) / line.slope, [30.0, 60.0], atol=1e-9
    )
