from __future__ import annotations

import numpy as np
import pytest

from calib.emissivity import known_surfaces, measure_emissivity
from calib.planck import band_radiance, to_temperature_c
from calib.radiometry import Uncertain
from hotspot.errors import RecordingError


def board(rng: np.random.Generator) -> np.ndarray:
    eps = np.full((40, 56), 0.92)
    eps[8:16, 10:30] = 0.12  # a bright can
    eps[20:30, 30:50] = 0.8
    return eps + 0.01 * rng.standard_normal(eps.shape)


def seen(eps: np.ndarray, true_c: float, *, reflected_c: float = 24.0) -> np.ndarray:
    mirrored = (1 - eps) * band_radiance(reflected_c)
    return to_temperature_c(eps * band_radiance(true_c) + mirrored)


def test_the_map_is_right_and_its_error_honest() -> None:
    rng = np.random.default_rng(1)
    eps = np.minimum(board(rng), 1.0)
    cool, warm = seen(eps, 25.0), seen(eps, 60.0)
    noise = 0.02
    found = measure_emissivity(
        cool + noise * rng.standard_normal(cool.shape),
        warm + noise * rng.standard_normal(warm.shape),
        cool_board=Uncertain(25.0, 0.0),
        warm_board=Uncertain(60.0, 0.0),
        pixel_sigma_k=noise,
    )
    pull = (found.emissivity - eps) / found.sigma
    assert abs(pull.mean()) < 0.1
    assert pull.std() == pytest.approx(1.0, abs=0.06)
    assert found.reflected_c == pytest.approx(24.0, abs=0.3)
    assert found.impossible == 0
    can = found.describe((12, 9, 16, 6))
    assert can.value == pytest.approx(0.12, abs=0.01)


def test_the_common_uncertainty_covers_wrong_board_temperatures() -> None:
    rng = np.random.default_rng(2)
    eps = np.full((6, 8), 0.9)
    cool, warm = seen(eps, 25.0), seen(eps, 60.0)
    values, stated = [], 0.0
    for _ in range(400):
        a, b = 25 + 0.5 * rng.standard_normal(), 60 + 0.5 * rng.standard_normal()
        found = measure_emissivity(
            cool, warm, cool_board=Uncertain(a, 0.5), warm_board=Uncertain(b, 0.5)
        )
        values.append(float(np.median(found.emissivity)))
        stated = found.scale
    assert np.std(values) / 0.9 == pytest.approx(stated, rel=0.12)
    assert np.mean(values) == pytest.approx(0.9, abs=0.005)


def test_nonsense_is_refused_or_noted() -> None:
    eps = np.full((20, 24), 0.9)
    cool, warm = seen(eps, 25.0), seen(eps, 60.0)
    with pytest.raises(RecordingError, match=r"board temperatures differ by 4.0 K"):
        measure_emissivity(cool, warm, cool_board=Uncertain(25, 0.5), warm_board=Uncertain(29, 0.5))
    with pytest.raises(RecordingError, match="differ in size"):
        measure_emissivity(
            cool[:5], warm, cool_board=Uncertain(25, 0.5), warm_board=Uncertain(60, 0.5)
        )
    wrong = measure_emissivity(
        cool, warm, cool_board=Uncertain(25, 0.1), warm_board=Uncertain(45, 0.1)
    )
    assert wrong.impossible == 1.0
    assert any("above 1" in w for w in wrong.warnings)
    vague = measure_emissivity(
        cool, warm, cool_board=Uncertain(25, 2.0), warm_board=Uncertain(60, 2.0)
    )
    assert any("warm it further" in w for w in vague.warnings)


def test_the_table_of_surfaces_is_sound() -> None:
    surfaces = known_surfaces()
    assert len(surfaces) >= 20
    assert len({s.name for s in surfaces}) == len(surfaces)
    for s in surfaces:
        assert 0 < s.low < s.high < 1
        assert s.source
