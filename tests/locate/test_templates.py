"""The family of spots against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from hotspot.heat.response import AGE_EDGES_S
from hotspot.locate.templates import Template, build_templates
from tests.locate.white_field import AGES_S, gaussian, rendered, white_field

SHAPE = (96, 132)
FIELD = white_field(np.zeros((1, *SHAPE)))


def picture(template: Template, sigma_px: float) -> np.ndarray:
    """The template as a picture, its origin rolled to the middle."""
    spot = rendered(FIELD, template, sigma_px=sigma_px)
    image = np.fft.irfft2(spot.transfer[0], s=FIELD.padded)
    return np.roll(image, (40, 50), axis=(0, 1))


@pytest.mark.parametrize("width", [1.0, 1.6, 3.0])
def test_a_body_is_a_gaussian_of_unit_peak(width: float) -> None:
    body = Template(tau_index=0, diffusivity_px2_s=0.0, body_share=1.0)
    expected = gaussian(FIELD.padded, (50, 40), width)
    np.testing.assert_allclose(picture(body, width), expected, atol=0.02 / width**2)


def test_heat_of_one_age_has_widened_as_conduction_says() -> None:
    """Variance s^2 + 2 a t along each axis (Carslaw & Jaeger 10.3), summed over the ages."""
    spread = Template(tau_index=0, diffusivity_px2_s=0.5, body_share=0.0)
    image = picture(spread, 1.2)
    x = np.arange(image.shape[1])[None, :] * np.ones((image.shape[0], 1))
    weight = np.diff(AGE_EDGES_S)
    inside = np.abs(x - 50) < 45
    measured = np.sum((image * (x - 50) ** 2)[inside]) / np.sum(image[inside])
    sizes = 1.2**2 + 2 * 0.5 * AGES_S
    # Old heat reaches the border of the padded picture: compare what is not cut.
    expected = np.sum(weight * sizes) / np.sum(weight)
    assert measured == pytest.approx(expected, rel=0.05)


def test_a_mix_is_the_sum_of_its_parts() -> None:
    body = picture(Template(1, 0.0, 1.0), 1.3)
    board = picture(Template(1, 4.0, 0.0), 1.3)
    mixed = picture(Template(1, 4.0, 0.5), 1.3)
    np.testing.assert_allclose(mixed, 0.5 * body + 0.5 * board, atol=1e-5)


def test_the_family_spans_the_scale_it_is_told() -> None:
    near, far = build_templates(0.12), build_templates(0.6)
    fastest = max(t.diffusivity_px2_s for t in near)
    assert fastest == pytest.approx(25 * max(t.diffusivity_px2_s for t in far))
    unknown = build_templates(None)
    assert max(t.diffusivity_px2_s for t in unknown) > 500
    assert len(set(unknown)) == len(unknown)


def test_dimmed_twins_are_added_for_compact_spots_only() -> None:
    plain, both = build_templates(0.3), build_templates(0.3, dimmed=True)
    assert both[: len(plain)] == plain
    assert all(t.dimmed for t in both[len(plain) :])
    assert 0 < len(both) - len(plain) < len(plain)
