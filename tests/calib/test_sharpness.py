from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from calib.pinhole import measure_pinhole
from calib.scale import measure_strip
from calib.sharpness import measure_edge, resolved_distance_px
from hotspot.errors import InputError


def render(distance, *, shape=(60, 44), fine: int = 6) -> np.ndarray:
    """Average a function of (x, y) over square pixels."""
    rows, cols = shape
    y, x = np.mgrid[: rows * fine, : cols * fine]
    value = distance((x + 0.5) / fine - 0.5, (y + 0.5) / fine - 0.5)
    return value.reshape(rows, fine, cols, fine).mean(axis=(1, 3))


def edge(sigma: float, *, angle_deg: float = 5.0, shape=(60, 44), step: float = 10.0):
    t = np.radians(angle_deg)

    def value(x, y):
        d = (x - shape[1] / 2 - 0.3) * np.cos(t) - (y - shape[0] / 2) * np.sin(t)
        return 20 + step * ndtr(d / sigma)

    return render(value, shape=shape)


def strip(width_px: float, *, sigma: float = 0.8, angle_deg: float = 4.0, shape=(48, 40)):
    t = np.radians(angle_deg)

    def value(x, y):
        d = (x - shape[1] / 2 + 0.2) * np.cos(t) - (y - shape[0] / 2) * np.sin(t)
        return 20 + 10 * (ndtr((d + width_px / 2) / sigma) - ndtr((d - width_px / 2) / sigma))

    return render(value, shape=shape)


@pytest.mark.parametrize("sigma", [0.5, 0.8, 1.5])
def test_the_error_bar_of_the_blur_is_honest(sigma: float) -> None:
    rng = np.random.default_rng(int(10 * sigma))
    clean = edge(sigma)
    true = np.hypot(sigma, 12**-0.5)
    found = [
        measure_edge(clean + 0.15 * rng.standard_normal(clean.shape)).psf_sigma_px
        for _ in range(14)
    ]
    values = np.array([f.value for f in found])
    stated = float(np.mean([f.sigma for f in found]))
    assert values.mean() == pytest.approx(true, abs=0.008)
    # 14 draws. At 0.5 px the pixel is no Gaussian, which the jackknife counts as error: the bar
    # is then up to twice too long.
    assert (0.35 if sigma < 0.6 else 0.6) < values.std() / stated < 1.6


def test_direction_polarity_and_level_do_not_matter() -> None:
    image = edge(0.7)
    right = measure_edge(image)
    assert right.is_upright
    for other in (image.T, image[:, ::-1], 60 - image, 1000 + 3 * image):
        turned = measure_edge(other)
        assert turned.psf_sigma_px.value == pytest.approx(right.psf_sigma_px.value, abs=2e-3)
    assert not measure_edge(image.T).is_upright
    assert right.angle_deg == pytest.approx(5.0, abs=0.05)


@pytest.mark.parametrize(
    ("image", "message"),
    [
        (np.full((40, 30), 20.0) + np.random.default_rng(0).normal(0, 0.1, (40, 30)), "no edge"),
        (edge(0.7, angle_deg=0.2), "not slanted enough"),
        (edge(0.7, angle_deg=40), "leans by|no edge|leaves the region"),
        (edge(0.7, step=0.2) + np.random.default_rng(1).normal(0, 0.1, (60, 44)), "no edge"),
        (edge(0.7)[:, 22:40], "leaves the region|no edge"),
        (np.zeros((8, 8)), "region has 8 x 8"),
        (np.full((40, 30), np.nan), "holds no numbers"),
    ],
)
def test_no_usable_edge_is_refused(image: np.ndarray, message: str) -> None:
    with pytest.raises(InputError, match=message) as caught:
        measure_edge(image)
    assert "\n" not in caught.value.sentence


def test_a_pinhole_gives_both_directions_with_honest_errors() -> None:
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:17, :21]
    true = np.array([0.8, 1.1])
    clean = 20 + 100 * (ndtr((x + 0.5 - 9.3) / true[0]) - ndtr((x - 0.5 - 9.3) / true[0])) * (
        ndtr((y + 0.5 - 8.1) / true[1]) - ndtr((y - 0.5 - 8.1) / true[1])
    )
    found = [measure_pinhole(clean + 0.5 * rng.standard_normal(clean.shape)) for _ in range(40)]
    for k, name in enumerate(("sigma_x_px", "sigma_y_px")):
        values = np.array([getattr(f, name).value for f in found])
        stated = np.mean([getattr(f, name).sigma for f in found])
        assert values.mean() == pytest.approx(np.hypot(true[k], 12**-0.5), abs=4e-3)
        assert 0.6 < values.std() / stated < 1.5
    assert found[0].xy_px == pytest.approx((9.3, 8.1), abs=0.03)


def test_the_holes_own_size_is_taken_off() -> None:
    hole_px = 3.0
    import cv2

    fine = 8
    y, x = np.mgrid[: 19 * fine, : 21 * fine]
    disc = (
        ((x + 0.5) / fine - 10.5) ** 2 + ((y + 0.5) / fine - 9.5) ** 2 < (hole_px / 2) ** 2
    ) * 5.0
    blurred = cv2.GaussianBlur(disc, (0, 0), 1.0 * fine)
    image = 20 + blurred.reshape(19, fine, 21, fine).mean(axis=(1, 3))
    found = measure_pinhole(image, hole_px=hole_px)
    assert found.sigma_x_px.value == pytest.approx(np.hypot(1.0, 12**-0.5), rel=0.04)
    with pytest.raises(InputError, match="would look larger"):
        measure_pinhole(image, hole_px=12.0)
    with pytest.raises(InputError, match="no spot"):
        measure_pinhole(np.random.default_rng(0).normal(20, 0.1, (15, 15)))


@pytest.mark.parametrize("angle_deg", [0.0, 4.0])
def test_a_strip_gives_the_scale_with_an_honest_error(angle_deg: float) -> None:
    rng = np.random.default_rng(5)
    clean = strip(14.3, angle_deg=angle_deg)
    found = [
        measure_strip(clean + 0.2 * rng.standard_normal(clean.shape), width_mm=10.0)
        for _ in range(20)
    ]
    values = np.array([f.value for f in found])
    assert values.mean() == pytest.approx(10 / 14.3, rel=1e-3)
    assert 0.6 < values.std() / np.mean([f.sigma for f in found]) < 1.7
    assert measure_strip(clean.T, width_mm=10.0).value == pytest.approx(10 / 14.3, rel=1e-3)
    wide = measure_strip(clean, width_mm=10.0, width_sigma_mm=0.1)
    assert wide.sigma / wide.value == pytest.approx(0.01, rel=0.05)


def test_no_strip_is_refused() -> None:
    with pytest.raises(InputError):
        measure_strip(np.random.default_rng(0).normal(20, 0.1, (40, 40)), width_mm=5)
    with pytest.raises(ValueError, match="width_mm must be > 0"):
        measure_strip(strip(14), width_mm=0)


def test_two_sources_at_the_resolved_distance_show_the_dip() -> None:
    for sigma in (0.6, 1.7):
        d = resolved_distance_px(sigma)
        x = np.linspace(-6 * sigma, 6 * sigma, 20001)
        both = np.exp(-((x - d / 2) ** 2) / 2 / sigma**2) + np.exp(
            -((x + d / 2) ** 2) / 2 / sigma**2
        )
        assert both[10000] / both.max() == pytest.approx(0.735, abs=1e-4)
        assert d == pytest.approx(2.80 * sigma, rel=2e-3)
