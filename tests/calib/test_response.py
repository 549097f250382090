from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calib.curves import fit_radiance_curve
from calib.generic import load_generic
from calib.planck import band_radiance
from calib.points import load_points
from calib.radiometry import Target, to_apparent_c
from calib.references import boiling_point, gallium_point, ice_point, thermometer
from calib.response import ResponsePoint, fit_response
from hotspot.errors import InputError
from hotspot.practice.sensor import build_radiance_curve
from hotspot.profile import CameraProfile
from hotspot.radiometry import to_celsius


def counts_at(celsius: float) -> float:
    """A camera linear in 8-14 µm radiance."""
    return 2500.0 + 80.0 * float(band_radiance(celsius))


def point(celsius: float, counts: float, sigma_k: float = 0.1) -> ResponsePoint:
    return ResponsePoint(thermometer(celsius, sigma_k=sigma_k), counts)


@pytest.mark.parametrize("kind", ["radiance", "linear"])
def test_the_stated_uncertainty_is_the_scatter_of_many_calibrations(kind: str) -> None:
    rng = np.random.default_rng(3)
    baths = np.array([0.0, 30.0, 60.0, 98.0])
    ideal = [counts_at(t) if kind == "radiance" else 4000 + 25 * t for t in baths]
    pulls = []
    for _ in range(100):
        measured = baths + 0.2 * rng.standard_normal(4)
        counts = np.array(ideal) + 4.0 * rng.standard_normal(4)
        fit = fit_response(
            tuple(
                ResponsePoint(thermometer(t, sigma_k=0.2), c, 4.0)
                for t, c in zip(measured, counts, strict=True)
            ),
            kind=kind,
        )
        assert fit.dof == 2
        shown = counts_at(50.0) if kind == "radiance" else 4000 + 25 * 50.0
        x = (shown - fit.intercept) / fit.slope
        if kind == "radiance":
            x = 50.0 + (x - float(band_radiance(50.0))) / 1.0149  # slope of the band at 50 °C
        # The calibration's own error bar, before it is scaled by the residuals.
        fitted2 = fit.sigma_k(50.0) ** 2 - fit.response_sigma_k(50.0) ** 2
        sigma = np.sqrt(fitted2 / max(1.0, fit.chi_square / fit.dof))
        pulls.append((x - 50.0) / sigma)
    assert abs(np.mean(pulls)) < 0.35
    assert np.std(pulls) == pytest.approx(1.0, abs=0.2)


@pytest.mark.parametrize("baths", [(0.0, 98.0), (0.0, 30.0, 98.0), (0.0, 30.0, 60.0, 98.0)])
def test_a_calibrated_profile_reads_the_practice_camera_right(baths) -> None:
    # The practice camera is linear in radiance at one wavelength, not in the 8-14 µm band: the
    # model's own error must stay small between the points.
    curve = build_radiance_curve()

    def shown(celsius: float) -> float:
        return curve.offset + curve.r / (np.exp(curve.b / (celsius + 273.15)) - 1)

    fit = fit_response(tuple(point(t, shown(t)) for t in baths))
    profile = fit.to_profile(CameraProfile("c", 7, 5))
    for celsius in (5.0, 20.0, 45.0, 80.0, 120.0):
        read = float(to_celsius(np.full((5, 7), shown(celsius)), profile)[0, 0])
        assert read == pytest.approx(celsius, abs=0.5)
        # Within what is stated: two standard uncertainties of an unknown response.
        assert abs(read - celsius) < 2 * fit.sigma_k(celsius)
    assert fit.curve_error_k < 0.06


def test_a_profile_linear_in_temperature_comes_out_of_a_linear_fit() -> None:
    points = tuple(point(t, (t + 273.15) * 64) for t in (0.0, 30.0, 98.0))
    profile = fit_response(points, kind="linear").to_profile(CameraProfile("c", 7, 5))
    assert profile.scale == pytest.approx(1 / 64)
    assert profile.offset == pytest.approx(-273.15)
    assert profile.radiance_curve is None


def test_emissivity_of_the_bath_is_taken_into_account() -> None:
    target = Target(emissivity=0.9, reflected_c=20)
    points = tuple(point(t, counts_at(float(to_apparent_c(t, target)))) for t in (0.0, 98.0))
    fit = fit_response(points, target=target)
    assert fit.slope == pytest.approx(80.0, rel=1e-9)
    assert fit.intercept == pytest.approx(2500.0, abs=1e-5)


def test_the_curve_follows_plancks_integral() -> None:
    curve, error_k = fit_radiance_curve(2500, 80, low_c=-20, high_c=150)
    celsius = np.linspace(-20, 150, 35)
    counts = 2500 + 80 * band_radiance(celsius)
    profile = CameraProfile("c", 35, 1, radiance_curve=curve)
    read = to_celsius(counts[None, :], profile)[0]
    assert np.abs(read - celsius).max() <= error_k * 1.05 + 1e-4
    assert error_k < 0.05


def test_the_generic_radiance_profile_is_the_8_to_14_um_band() -> None:
    profile = load_generic("radiance")
    celsius = np.linspace(-30, 250, profile.width)
    curve, _ = fit_radiance_curve(2100, 100, low_c=-30, high_c=250)
    counts = np.broadcast_to(2100 + 100 * band_radiance(celsius), (120, 160))
    assert np.abs(to_celsius(counts, profile)[0] - celsius).max() < 0.15
    assert profile.radiance_curve is not None
    assert curve.b == pytest.approx(profile.radiance_curve.b, rel=1e-3)


@pytest.mark.parametrize(
    ("points", "message"),
    [
        ((point(20, 5000),), "1 reference point is not enough"),
        ((point(20, 5000), point(20.5, 5040)), "span 0.50 K only"),
        ((point(20, 5000, 1.0), point(24, 5300, 1.0)), "too close for their uncertainty"),
        ((point(0, 5000), point(30, 5900), point(60, 5500), point(90, 8000)), "order"),
        ((point(0, 8000), point(30, 7000), point(60, 6000)), "counts fall with rising"),
        ((point(0, 8000), point(60, 8000)), "do not change"),
    ],
)
def test_nonsense_is_refused(points: tuple[ResponsePoint, ...], message: str) -> None:
    with pytest.raises(InputError, match=message) as caught:
        fit_response(points)
    assert "\n" not in caught.value.sentence


def test_falling_counts_are_fine_for_a_linear_response() -> None:
    fit = fit_response((point(0, 8000), point(60, 5000)), kind="linear")
    assert fit.slope == pytest.approx(-50)
    assert fit.sigma_k(30) == pytest.approx(0.1 / np.sqrt(2), rel=1e-6)


def test_an_outlier_is_named_and_the_error_bar_grows() -> None:
    good = tuple(point(t, counts_at(t)) for t in (0.0, 25.0, 50.0, 75.0, 98.0))
    bad = (*good[:2], point(50.0, counts_at(52.0)), *good[3:])
    fit, worse = fit_response(good), fit_response(bad)
    assert fit.warnings == ()
    assert len(worse.warnings) >= 1
    assert any("50.00 °C" in w for w in worse.warnings)
    assert worse.covariance[1, 1] > 9 * fit.covariance[1, 1]
    assert worse.sigma_k(50) > fit.sigma_k(50)


def test_points_from_a_table(tmp_path: Path) -> None:
    file = tmp_path / "points.csv"
    file.write_text(
        "point,value,unit,sigma_k,counts,counts_sigma\n"
        "ice,,,,5012.5,0.4\ngallium,,,,7020,0.4\nboiling,1000,hPa,,13000,0.5\n"
        "boiling,500,m,,13010,\nPt100,119.40,A,,8500,\nthermometer,60,,0.3,9300,\n",
        encoding="utf-8",
    )
    found = load_points(file)
    assert [p.reference.temperature_c for p in found] == pytest.approx(
        [0.0, 29.7646, 99.6059, 98.3125, 50.0075, 60.0], abs=2e-3
    )
    assert found[0].reference == ice_point()
    assert found[1].reference == gallium_point()
    assert found[3].reference == boiling_point(altitude_m=500)
    assert found[5].reference.sigma_k == 0.3
    assert found[0].counts_sigma == 0.4


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("point\nice\n", "column counts is missing"),
        ("point,counts\nsnow,5\n", "line 2: no reference point 'snow'"),
        ("point,counts\nice,\n", "line 2: counts is empty"),
        ("point,counts\nboiling,5\n", "value is missing"),
        ("point,counts,value\npt100,5,9\n", "ohm must be from"),
        ("point,counts,value,unit\nboiling,5,100,furlong\n", "unit must be hPa or m"),
        ("point,counts,counts_sigma\nice,5,-1\n", "counts_sigma is below 0"),
        ("point,counts,sigma_k\nice,5,0\n", "sigma_k must be > 0"),
    ],
)
def test_a_bad_table_names_the_line(tmp_path: Path, text: str, message: str) -> None:
    file = tmp_path / "points.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message):
        load_points(file)
