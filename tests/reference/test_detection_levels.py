"""Levels of significance against printed tables of the normal distribution and its extremes.

Abramowitz & Stegun, ch. 26; NIST/SEMATECH e-Handbook 1.3.6.7.1; Sidak 1967. Computed with scipy.
"""

from __future__ import annotations

import numpy as np
import pytest

from calib.defects import MAD_TO_SIGMA as CALIB_MAD_TO_SIGMA
from hotspot.heat.robust import MAD_TO_SIGMA
from hotspot.locate.detect import false_alarm_probability
from hotspot.locate.parts import TEMPLATES_PER_PLACE, part_false_alarm
from tests.locate.white_field import rendered, white_field

PIXELS = [80 * 60, 160 * 120, 256 * 192, 320 * 240, 384 * 288, 640 * 480]


def chance_of_any(level: float, tests: float) -> float:
    return part_false_alarm(level, parts=1, trials=tests / TEMPLATES_PER_PLACE)


@pytest.mark.parametrize(
    ("family", "levels"),
    [
        (0.05, [4.250052, 4.550847, 4.744800, 4.834358, 4.906404, 5.103210]),
        (0.01, [4.601846, 4.882610, 5.064744, 5.149108, 5.217091, 5.403284]),
    ],
)
def test_sidaks_level(family: float, levels: list[float]) -> None:
    for tests, level in zip(PIXELS, levels, strict=True):
        assert chance_of_any(level, tests) == pytest.approx(family, rel=1e-5)


def test_bonferronis_level_is_a_little_higher() -> None:
    levels = [4.255767, 4.556216, 4.749966, 4.839436, 4.911413, 5.108038]
    for tests, level in zip(PIXELS, levels, strict=True):
        # 1 - (1 - 0.05/M)^M is 0.0487706 for large M.
        assert chance_of_any(level, tests) == pytest.approx(0.0487706, rel=1e-4)


@pytest.mark.parametrize(
    ("level", "tests", "chance"),
    [(4, 19200, 0.4556144), (5, 19200, 0.005488593), (4, 76800, 0.9121733), (5, 76800, 0.02177429)],
)
def test_any_pixel_above_a_level(level: float, tests: int, chance: float) -> None:
    assert chance_of_any(level, tests) == pytest.approx(chance, rel=1e-6)


def test_upper_tail_of_a_single_place() -> None:
    tail = [0.15865525, 0.02275013, 1.349898e-3, 3.167124e-5, 2.866516e-7, 9.865876e-10]
    for level, chance in enumerate(tail, start=1):
        point = false_alarm_probability(float(level), area_px=0.0, roughness=np.array([1.0]))
        assert -np.log1p(-point) == pytest.approx(chance, rel=1e-6, abs=0.0)


def test_median_deviation_to_sigma() -> None:
    # 1 / Phi^-1(3/4) = 1.482602, textbook.
    assert pytest.approx(1.482602, abs=5e-7) == MAD_TO_SIGMA
    assert pytest.approx(1.482602, abs=5e-7) == CALIB_MAD_TO_SIGMA


def test_matched_filter_gain_of_a_sharp_spot() -> None:
    # sqrt(sum g²) of a point-sampled Gaussian of 1 px: 1.772637; North 1943, Kay vol. 2, ch. 4.
    spot = rendered(white_field(np.zeros((1, 72, 90))), sigma_px=1.0)
    assert np.sqrt(spot.energy) == pytest.approx(1.772637, rel=2e-3)
