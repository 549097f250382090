from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.planck import Band, band_radiance, to_temperature_c
from calib.radiometry import (
    Target,
    air_error_k,
    apparent_sigma_k,
    measure_true_c,
    to_apparent_c,
    to_true_c,
)


@given(st.floats(-150, 1500))
def test_radiance_and_back(celsius: float) -> None:
    assert float(to_temperature_c(band_radiance(celsius))) == pytest.approx(celsius, abs=1e-6)


@given(
    st.floats(-40, 400), st.floats(0.05, 1), st.floats(-20, 60), st.floats(0.3, 1), st.floats(0, 60)
)
def test_apparent_and_back(
    true_c: float, emissivity: float, reflected_c: float, transmission: float, window_c: float
) -> None:
    target = Target(emissivity=emissivity, reflected_c=reflected_c, transmission=transmission,
                    window_c=window_c)  # fmt: skip
    back = float(to_true_c(to_apparent_c(true_c, target), target))
    assert back == pytest.approx(true_c, abs=1e-4)


def test_pictures_keep_their_shape_and_impossible_light_is_nan() -> None:
    picture = np.full((5, 7), 30.0)
    picture[2, 3] = np.nan
    mirror = Target(emissivity=0.1, reflected_c=60)
    out = to_true_c(picture, mirror)
    assert out.shape == (5, 7)
    assert np.isnan(out).all()  # 30 °C seen in a mirror of 60 °C is impossible
    with pytest.raises(ValueError, match=r"apparent_c must be more .* 30"):
        measure_true_c(30, mirror, apparent_sigma_k=0.1)


@pytest.mark.parametrize("emissivity", [0.95, 0.6])
def test_the_stated_uncertainty_is_that_of_a_monte_carlo(emissivity: float) -> None:
    target = Target(
        emissivity=emissivity, emissivity_sigma=0.01, reflected_c=23, reflected_sigma_k=2,
        transmission=0.9, transmission_sigma=0.01, window_c=26, window_sigma_k=3,
    )  # fmt: skip
    found = measure_true_c(45.0, target, apparent_sigma_k=0.4)
    rng = np.random.default_rng(11)
    drawn = []
    for _ in range(1500):
        e, r, t, w, a = rng.standard_normal(5)
        other = replace(
            target, emissivity=emissivity + 0.01 * e, reflected_c=23 + 2 * r,
            transmission=0.9 + 0.01 * t, window_c=26 + 3 * w,
        )  # fmt: skip
        drawn.append(float(to_true_c(45.0 + 0.4 * a, other)))
    assert found.value == pytest.approx(float(np.mean(drawn)), abs=0.05)
    assert found.sigma == pytest.approx(float(np.std(drawn)), rel=0.06)
    assert math.sqrt(sum(s * s for _, s in found.parts)) == pytest.approx(found.sigma)


def test_uncertainty_of_what_the_camera_should_show() -> None:
    target = Target(emissivity=0.9, emissivity_sigma=0.02, reflected_c=20, reflected_sigma_k=3)
    rng = np.random.default_rng(12)
    drawn = [
        float(
            to_apparent_c(
                80 + 0.3 * a,
                replace(target, emissivity=0.9 + 0.02 * e, reflected_c=20 + 3 * r),
            )
        )
        for e, r, a in rng.standard_normal((1500, 3))
    ]
    stated = apparent_sigma_k(80, target, true_sigma_k=0.3)
    assert stated == pytest.approx(float(np.std(drawn)), rel=0.06)


def test_the_air_at_bench_distance_is_small() -> None:
    weak, strong = air_error_k(60, air_c=23, distance_m=0.3)
    assert 0.02 < weak < strong < 0.2
    assert air_error_k(23, air_c=23, distance_m=0.3) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ({"emissivity": 1.2}, "emissivity must be <= 1, got 1.2"),
        ({"emissivity": 0}, "emissivity must be > 0"),
        ({"transmission": float("nan")}, "transmission must be > 0"),
        ({"reflected_c": -200}, "reflected_c must be >= -150"),
        ({"window_sigma_k": -1}, "window_sigma_k must be >= 0"),
    ],
)
def test_impossible_targets(keys: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Target(**keys)


@pytest.mark.parametrize(
    ("wavelengths", "response"),
    [((8, 8), (1, 1)), ((8, 14), (1,)), ((14, 8), (1, 1)), ((8, 14), (0, 0)), ((8, 14), (-1, 1))],
)
def test_impossible_bands(wavelengths: tuple[float, ...], response: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="must"):
        Band(wavelengths, response)
