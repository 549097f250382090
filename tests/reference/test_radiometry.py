"""Counts to °C against Planck's law, published radiances and plain arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import constants

from hotspot.profile import CameraProfile, RadianceCurve, RawPlane, Values
from hotspot.radiometry import has_celsius, to_celsius, to_luminance, to_raw_plane


def camera(**kw) -> CameraProfile:
    return CameraProfile(name="c", width=7, height=5, **kw)


def test_a_single_wavelength_curve_is_planck_itself() -> None:
    """Spectral radiance at 10 um of a black body at 300 K is 9.924033 W m-2 um-1 sr-1 (Planck's law
    with the CODATA 2018 constants, computed with scipy and astropy alike)."""
    wavelength_um = 10.0
    c1l = 2 * constants.h * constants.c**2 * 1e24  # W um4 m-2 sr-1
    c2_um_k = constants.h * constants.c / constants.k * 1e6
    curve = RadianceCurve(r=c1l / wavelength_um**5, b=c2_um_k / wavelength_um, f=1.0, offset=0.0)
    counts = np.full((5, 7), 9.924033, dtype=np.float32)
    got = to_celsius(counts, camera(radiance_curve=curve))
    assert got[2, 3] == pytest.approx(300 - 273.15, abs=2e-4)


def test_every_count_of_a_curve_inverts() -> None:
    rng = np.random.default_rng(4)
    curve = RadianceCurve(r=16500.0, b=1430.0, f=1.0, offset=-7300.0)
    kelvin = rng.uniform(260, 420, (11, 5, 7))
    exact = curve.offset + curve.r / (np.exp(curve.b / kelvin) - curve.f)
    profile = camera(radiance_curve=curve)
    got = to_celsius(exact.astype(np.float64), profile)
    np.testing.assert_allclose(got, kelvin - 273.15, atol=1e-5)
    assert got.dtype == np.float32


def test_counts_through_the_table_equal_the_formula() -> None:
    curve = RadianceCurve(r=366545.0, b=1428.0, f=1.0, offset=342.0)
    counts = np.arange(35, dtype=np.uint16).reshape(5, 7) * 1700
    got = to_celsius(counts, camera(radiance_curve=curve))
    signal = counts.astype(float) - 342
    with np.errstate(all="ignore"):
        expected = 1428.0 / np.log(366545.0 / signal + 1) - 273.15
    expected[signal <= 0] = np.nan
    np.testing.assert_allclose(got, expected, rtol=1e-6)
    assert np.isnan(got[0, 0])


def test_linear_counts() -> None:
    counts = np.full((3, 5, 7), 29815, dtype=np.uint16)
    got = to_celsius(counts, camera(scale=0.01, offset=-273.15))
    assert got.shape == (3, 5, 7)
    np.testing.assert_array_equal(got, np.float32(25.0))
    one_more = to_celsius(counts + np.uint16(1), camera(scale=0.01, offset=-273.15))
    np.testing.assert_allclose(one_more - got, 0.01, atol=3e-6)
    big_endian = to_celsius(counts.astype(">u2"), camera(scale=0.01, offset=-273.15))
    np.testing.assert_array_equal(big_endian, got)
    as_float = to_celsius(counts.astype(np.float32), camera(scale=0.01, offset=-273.15))
    np.testing.assert_array_equal(as_float, got)


def test_float_celsius_pass_through_with_their_nan() -> None:
    values = np.full((5, 7), 31.25, dtype=np.float32)
    values[1, 2] = np.nan
    got = to_celsius(values, camera(values=Values.CELSIUS))
    np.testing.assert_array_equal(got, values)


def test_counts_without_a_scale_stay_relative() -> None:
    counts = np.arange(35, dtype=np.uint16).reshape(5, 7)
    got = to_celsius(counts, camera())
    np.testing.assert_array_equal(got, counts.astype(np.float32))
    assert not has_celsius(camera())
    assert has_celsius(camera(scale=0.1, offset=0.0))
    assert has_celsius(camera(values=Values.CELSIUS))
    assert not has_celsius(camera(values=Values.GREY8))


def test_luminance_is_that_of_bt_601() -> None:
    """ITU-R BT.601-7 section 2.5.1: 0.299 R + 0.587 G + 0.114 B; OpenCV uses the same."""
    import cv2

    rgb = np.random.default_rng(2).integers(0, 256, (5, 7, 3)).astype(np.uint8)
    got = to_luminance(rgb)
    np.testing.assert_allclose(got, rgb @ np.array([0.299, 0.587, 0.114]), atol=1e-3)
    assert np.abs(got - cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)).max() <= 0.51
    through = to_celsius(rgb[None], camera(values=Values.PALETTE8))
    np.testing.assert_array_equal(through[0], got)


def test_grey_stored_as_rgb_comes_back_to_the_last_bit() -> None:
    grey = np.arange(35, dtype=np.uint8).reshape(5, 7) * 7
    got = to_celsius(np.dstack([grey] * 3), camera(values=Values.GREY8))
    np.testing.assert_array_equal(got, grey)


def test_raw_planes_are_views_of_bytes() -> None:
    raw = np.random.default_rng(1).integers(0, 65536, (3, 5, 7)).astype(np.uint16)
    pairs = raw.astype(">u2").view(np.uint8).reshape(3, 5, 7, 2)
    frames = np.concatenate([np.zeros_like(pairs), pairs], axis=1)
    got = to_raw_plane(frames, RawPlane((0, 5, 7, 5), ">u2"))
    np.testing.assert_array_equal(got, raw)
    with pytest.raises(ValueError, match="must lie inside"):
        to_raw_plane(frames, RawPlane((1, 5, 7, 5), ">u2"))
    with pytest.raises(ValueError, match="must divide"):
        to_raw_plane(frames[..., 0], RawPlane((0, 5, 7, 5), "<u2"))


def test_wrong_shape_is_the_callers_mistake() -> None:
    with pytest.raises(ValueError, match=r"must end with shape \(5, 7\), got \(7, 5\)"):
        to_celsius(np.zeros((7, 5), np.uint16), camera())
