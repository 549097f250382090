"""The rise of a spot's peak: its own where its shape fits, what is seen where it does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.locate.centre import Centre
from hotspot.locate.field import Field
from hotspot.locate.peak import MISDRAWN, PeakRise, peak_of
from hotspot.locate.separate import Describer, Description
from hotspot.locate.spots import FoundSpot
from tests.locate.white_field import gaussian, rendered, scored, white_field

SHAPE, AT, WIDTH = (60, 83), (40.0, 30.0), 1.5
STRONG_SNR = 60.0
# What a kelvin is in the one contrast there is: nothing.
COURSE = np.ones(1)


def peak_of_spot(
    field: Field, *, rise: np.ndarray, describer: Describer, level: float = 1.0
) -> tuple[float, float]:
    """The peak told, and the spot's SNR."""
    scores = scored(field, sigma_px=WIDTH)
    # In units of another noise: nothing that a rise depends on.
    scores = replace(scores, z=scores.z / np.float32(level), energy=scores.energy / level**2)
    z = scores.z[0, int(AT[1]), int(AT[0])]
    centre = Centre(xy_px=np.array(AT), cov_px2=np.eye(2), snr=float(z), template=0)
    spot = FoundSpot(centre=centre, false_alarm=0.0, scores=scores)
    told = PeakRise(
        field=field,
        course=COURSE,
        rise=rise.astype(np.float32),
        describer=describer,
        render=lambda _: rendered(field, sigma_px=WIDTH),
        strong_snr=STRONG_SNR,
    )
    return told.of(spot), float(z)


class Misdrawing(Describer):
    """Draws every spot three times as high as it is, and the wrong way round."""

    def describe(self, field: Field, *, centres: tuple) -> tuple[Description, ...]:
        drawn = super().describe(field, centres=centres)
        return tuple(replace(d, maps=-3 * d.maps) for d in drawn)


@pytest.mark.parametrize("height", [6.0, 80.0])
@pytest.mark.parametrize("kind", [Describer, Misdrawing])
def test_the_peak_is_right_whether_the_description_fits_or_not(
    height: float, kind: type[Describer]
) -> None:
    rng = np.random.default_rng(9)
    rise = height * gaussian(SHAPE, AT, WIDTH)
    field = white_field((rise + rng.standard_normal(SHAPE))[None])
    told, snr = peak_of_spot(field, rise=rise, describer=kind(bad=field.bad, sigma_px=WIDTH))
    assert (snr > STRONG_SNR) == (height > 10)
    # A matched filter of SNR 16 is good to a sixteenth; a description has a few shapes to choose.
    assert told == pytest.approx(height, rel=MISDRAWN if kind is Describer else 3 / snr + 0.03)


def test_a_rise_counts_in_the_unit_of_the_pictures() -> None:
    """Maps are divided by their noise: it comes back in."""
    noise = 0.02
    rise = 0.24 * gaussian(SHAPE, AT, WIDTH)
    shown = rise + noise * np.random.default_rng(10).standard_normal(SHAPE)
    field = white_field((shown / noise)[None])
    field = replace(field, local_sigma=np.full(SHAPE, noise, np.float32))
    for kind in (Describer, Misdrawing):
        told, _ = peak_of_spot(field, rise=rise, describer=kind(bad=field.bad, sigma_px=WIDTH))
        assert told == pytest.approx(0.24, rel=MISDRAWN)


def test_the_peak_of_a_template_is_that_of_its_picture() -> None:
    field = white_field(np.zeros((1, *SHAPE)))
    one = rendered(field, sigma_px=WIDTH)
    picture = np.fft.irfft2(one.transfer, s=field.padded, axes=(1, 2))
    np.testing.assert_allclose(peak_of(one, field.padded), picture[:, 0, 0], rtol=1e-5)


def test_a_rise_does_not_depend_on_the_noise_that_the_snr_is_told_in() -> None:
    rng = np.random.default_rng(10)
    rise = 8.0 * gaussian(SHAPE, AT, WIDTH)
    field = white_field((rise + rng.standard_normal(SHAPE))[None])
    describer = Misdrawing(bad=field.bad, sigma_px=WIDTH, outline_at=lambda _: None)
    told = [peak_of_spot(field, rise=rise, describer=describer, level=v)[0] for v in (1.0, 0.7)]
    assert told[1] == pytest.approx(told[0], rel=1e-6)
