"""Planck, Wien and Stefan-Boltzmann in the code, emissivity ranges, fixed points in full.

Values computed from the constants of CODATA 2018 (SI Brochure, 9th ed.) with scipy and astropy,
apart from this project, unless a check says otherwise.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq, minimize_scalar

from calib.emissivity import known_surfaces
from calib.planck import C1L_W_UM4_M2_SR, C2_UM_K, Band, band_radiance, band_slope
from calib.planck import spectral_radiance as planck
from calib.radiometry import Target, to_apparent_c, to_true_c
from calib.references import boiling_point, ice_point, pt100_ohm
from hotspot.practice.optics import SECOND_RADIATION_CONSTANT_UM_K
from hotspot.practice.plate import STEFAN_BOLTZMANN_W_M2K4, PlateSettings

ZERO = 273.15


def test_radiation_constants() -> None:
    assert pytest.approx(1.191042972e-16 * 1e24, rel=1e-9) == C1L_W_UM4_M2_SR
    assert pytest.approx(1.438776877e-2 * 1e6, rel=1e-9) == C2_UM_K
    assert pytest.approx(14387.76877, rel=1e-9) == SECOND_RADIATION_CONSTANT_UM_K
    assert pytest.approx(5.670374419e-8, rel=1e-9, abs=0.0) == STEFAN_BOLTZMANN_W_M2K4


def test_wiens_displacement() -> None:
    # lambda T = 2897.771955 um K; 9.659240 um at 300 K.
    peak = minimize_scalar(
        lambda um: -float(planck(um, 300.0)), bracket=(8.0, 9.5, 12.0), options={"xtol": 1e-9}
    )
    assert peak.x == pytest.approx(9.659240, rel=1e-6)


@pytest.mark.parametrize(
    ("kelvin", "power", "fraction", "emitted"),
    [
        (273, 4.95489, 0.3496676, 314.9650),
        (300, 4.57547, 0.3757423, 459.3003),
        (350, 4.02009, 0.3929968, 850.9106),
    ],
)
def test_band_of_8_to_14_um(kelvin: float, power: float, fraction: float, emitted: float) -> None:
    """Local power T L'/L, share of sigma T^4 (Incropera, table 12.1 method), sigma T^4 itself."""
    radiance = float(band_radiance(kelvin - ZERO))
    slope = float(band_slope(kelvin - ZERO))
    assert kelvin * slope / radiance == pytest.approx(power, rel=2e-6)
    all_of_it = STEFAN_BOLTZMANN_W_M2K4 * kelvin**4
    assert all_of_it == pytest.approx(emitted, rel=1e-6)
    assert math.pi * radiance / all_of_it == pytest.approx(fraction, rel=1e-6)


@pytest.mark.parametrize(("celsius", "film"), [(23.0, 5.891243), (26.85, 6.124004)])
def test_radiative_film_coefficient(celsius: float, film: float) -> None:
    """4 sigma T^3 of one black face at 296.15 and 300 K (Incropera, ch. 1)."""
    black = PlateSettings(
        10.0, 10.0, convection_top_w_m2k=0.0, convection_bottom_w_m2k=0.0, emissivity=1.0
    )
    assert black.film_w_m2k(celsius) / 2 == pytest.approx(film, rel=1e-6)


@pytest.mark.parametrize(
    ("lambda_t", "fraction"),
    [
        (1000, 0.00032077), (1400, 0.00779039), (2897.772, 0.25005456), (5000, 0.63372587),
        (8000, 0.85625069), (20000, 0.98555384),
    ],
)  # fmt: skip
def test_more_of_the_textbook_table(lambda_t: float, fraction: float) -> None:
    # F(0 -> lambda T): Incropera 7e table 12.1; Siegel and Howell, appendix.
    assert _share_below(lambda_t) == pytest.approx(fraction, abs=2e-7)


def test_half_of_the_light_lies_below() -> None:
    # Median of Planck's spectrum: lambda T = 4107.248 um K (series of the table above).
    median = brentq(lambda x: _share_below(x) - 0.5, 3000, 5000, xtol=1e-4)
    assert median == pytest.approx(4107.248, abs=0.01)
    # 14 um and 8 um at 300 K.
    assert _share_below(4200) - _share_below(2400) == pytest.approx(0.3757423, abs=1e-6)


def _share_below(lambda_t: float) -> float:
    kelvin = 1000.0  # puts all but 1e-9 of the light above 0.2 um
    radiance = float(band_radiance(kelvin - ZERO, band=Band((0.2, lambda_t / kelvin), (1.0, 1.0))))
    return math.pi * radiance / (STEFAN_BOLTZMANN_W_M2K4 * kelvin**4)


@pytest.mark.parametrize(("real", "reads_c"), [(0.90, 58.2966), (0.30, 35.9450)])
def test_a_wrong_emissivity_setting(real: float, reads_c: float) -> None:
    """60 degC, surroundings 23 degC, camera set to 0.95 (Vollmer and Möllmann, ch. 2-3)."""
    seen = to_apparent_c(60.0, Target(emissivity=real, reflected_c=23.0))
    reads = float(to_true_c(seen, Target(emissivity=0.95, reflected_c=23.0)))
    assert reads == pytest.approx(reads_c, abs=2e-4)


@pytest.mark.parametrize(
    ("emissivity", "after_1_k", "after_10_k"),
    [(0.95, 0.9502, 9.5206), (0.9, 0.9004, 9.0392), (0.6, 0.6011, 6.1073),
     (0.3, 0.3010, 3.0964), (0.1, 0.1004, 1.0420)],
)  # fmt: skip
def test_the_rise_that_is_seen(emissivity: float, after_1_k: float, after_10_k: float) -> None:
    """Baseline taken off at 23 degC: the mirrored part cancels (the same chain, linearised)."""
    target = Target(emissivity=emissivity, reflected_c=23.0)
    cold = float(to_apparent_c(23.0, target))
    for rise, seen in ((1.0, after_1_k), (10.0, after_10_k)):
        assert float(to_apparent_c(23.0 + rise, target)) - cold == pytest.approx(seen, abs=2e-4)


def test_netd_at_other_scene_temperatures() -> None:
    # NETD ~ 1 / L'(T) (Vollmer and Möllmann): 1.31678 at 273 K, 0.685268 at 350 K, of that at 300.
    slope = band_slope(np.array([273.0, 300.0, 350.0]) - ZERO)
    np.testing.assert_allclose(slope[1] / slope[[0, 2]], [1.31678, 0.685268], rtol=1e-5)


# Ranges in 8-14 um near normal, from memory: Incropera et al., table A.11; Siegel and Howell,
# app. B; Touloukian and DeWitt, vols. 7-8; Steketee 1973 (skin); board items: bench range, no
# source.
EMISSIVITIES = {
    "solder mask": (0.85, 0.95), "bare epoxy glass board": (0.85, 0.95),
    "epoxy mould compound": (0.88, 0.95), "ceramic capacitor body": (0.75, 0.95),
    "chip resistor overcoat": (0.85, 0.95), "alumina": (0.7, 0.9), "vinyl tape": (0.93, 0.97),
    "matt black paint": (0.94, 0.98), "white paint": (0.88, 0.93), "paper": (0.90, 0.97),
    "glass": (0.85, 0.95), "skin": (0.97, 0.99), "water": (0.95, 0.99), "ice": (0.95, 0.98),
    "polyimide tape (partly clear)": (0.5, 0.9), "copper, polished": (0.02, 0.05),
    "copper, oxidised": (0.5, 0.8), "gold finish": (0.02, 0.06),
    "aluminium, polished": (0.03, 0.10), "aluminium, anodised": (0.75, 0.9),
    "tin or solder, bright": (0.04, 0.15),
    "solder, dull": (0.1, 0.3), "nickel": (0.05, 0.15), "stainless steel": (0.1, 0.35),
    "bare silicon die (partly clear)": (0.3, 0.7),
}  # fmt: skip


def test_every_known_emissivity_is_the_handbooks_range() -> None:
    assert {s.name: (s.low, s.high) for s in known_surfaces()} == EMISSIVITIES
    assert all(s.source for s in known_surfaces())


def test_ice() -> None:
    # 0 degC; a bench bath is good to 0.1 K, a well-made one (ASTM E563) to 0.01 K. From memory.
    assert ice_point().temperature_c == 0.0
    assert 0.01 <= ice_point().sigma_k <= 0.1


def test_boiling_point_by_altitude_in_full() -> None:
    # ISO 2533 pressure and IAPWS-95 saturation, computed with CoolProp.
    metres = [0, 250, 500, 1000, 1500, 2000, 2500, 3000, 4000]
    celsius = [99.9743, 99.1436, 98.3125, 96.6489, 94.9831, 93.3153, 91.6451, 89.9725, 86.6195]
    found = [boiling_point(altitude_m=m).temperature_c for m in metres]
    np.testing.assert_allclose(found, celsius, atol=1e-3)


def test_platinum_sensitivity() -> None:
    # IEC 60751: dR/dt at 0, 25, 50, 100 degC, and alpha = 3.85055e-3 /K.
    found = [(pt100_ohm(t + 0.01) - pt100_ohm(t - 0.01)) / 0.02 for t in (25, 50, 100)]
    np.testing.assert_allclose(found, [0.38794, 0.38505, 0.37928], atol=6e-6)
    assert (pt100_ohm(0.01) - pt100_ohm(0.0)) / 0.01 == pytest.approx(0.39083, abs=6e-6)
    assert (pt100_ohm(100) - pt100_ohm(0)) / 1e4 == pytest.approx(3.85055e-3, rel=1e-6)
