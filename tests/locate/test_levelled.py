"""Score maps in units of the noise that the picture shows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.locate.levelled import THEORY_SPREAD, levelled, measure_levels
from tests.locate.white_field import gaussian, scored, white_field

SHAPE = (120, 160)
ALLOWED = np.ones(SHAPE, bool)


def noise(*, seed: int = 1, spot: float = 0.0):
    rng = np.random.default_rng(seed)
    maps = rng.standard_normal(SHAPE) + spot * gaussian(SHAPE, (60.0, 50.0), 1.5)
    return scored(white_field(maps[None]), sigma_px=1.5)


def test_noise_that_theory_knows_is_left_as_it_is() -> None:
    assert measure_levels(noise(), allowed=ALLOWED) == pytest.approx(1.0, abs=0.06)


@pytest.mark.parametrize("factor", [0.6, 1.5])
def test_templates_whose_noise_is_another_are_brought_to_it(factor: float) -> None:
    scores = noise()
    other = replace(scores, z=np.float32(factor) * scores.z)
    level = measure_levels(other, allowed=ALLOWED)
    # The picture's thousand independent places outweigh theory.
    assert level == pytest.approx(factor, rel=0.1)
    same = levelled(other, allowed=ALLOWED)
    assert float(same.z.std()) == pytest.approx(float(scores.z.std()), rel=0.1)
    # A spot's strength stays what it is: SNR over the root of the energy.
    np.testing.assert_allclose(
        same.z[0] / np.sqrt(same.energy[0]), other.z[0] / np.sqrt(other.energy[0]), rtol=1e-5
    )


def test_few_independent_places_leave_theory_its_say() -> None:
    scores = noise()
    few = np.zeros(SHAPE, bool)
    few[50:58, 60:68] = True
    wide = replace(
        scores, z=np.float32(0.5) * scores.z, roughness=np.full_like(scores.roughness, 1e-4)
    )
    assert measure_levels(wide, allowed=few) == pytest.approx(1.0, abs=THEORY_SPREAD / 2)


def test_heat_does_not_count_as_noise() -> None:
    still = measure_levels(noise(), allowed=ALLOWED)
    assert measure_levels(noise(spot=9.0), allowed=ALLOWED) == pytest.approx(still, rel=0.03)


def test_where_nothing_is_looked_at_nothing_is_levelled() -> None:
    scores = noise()
    assert levelled(scores, allowed=np.zeros(SHAPE, bool)) is scores
    silent = replace(scores, z=np.zeros_like(scores.z))
    np.testing.assert_array_equal(measure_levels(silent, allowed=ALLOWED), 1.0)
