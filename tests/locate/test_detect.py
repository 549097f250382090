"""Matched filter and false alarms against theory and against noise as drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.locate.detect import false_alarm_probability, score
from hotspot.locate.field import inner
from hotspot.locate.templates import build_templates
from tests.locate.white_field import (
    AGES_S,
    BODY,
    gaussian,
    one_contrast,
    rendered,
    scored,
    white_field,
)

SHAPE = (60, 83)


@pytest.mark.parametrize("width", [1.0, 1.5, 2.0])
def test_a_spot_scores_its_energy(width: float) -> None:
    """SNR of a Gaussian spot of peak A in white unit noise: A sqrt(pi) w (North 1943)."""
    rng = np.random.default_rng(81)
    spot = 4.0 * gaussian(SHAPE, (41, 30), width)
    scores = [
        scored(white_field((spot + rng.standard_normal(SHAPE))[None]), sigma_px=width).z[0]
        for _ in range(60)
    ]
    at = np.array([z[30, 41] for z in scores])
    far = np.array([z[:, :20] for z in scores])
    assert at.mean() == pytest.approx(4 * np.sqrt(np.pi) * width, abs=0.45)
    assert far[:, 6:-6, 6:].std() == pytest.approx(1.0, abs=0.03)
    assert at.std() == pytest.approx(1.0, abs=0.35)


def test_cooling_scores_negative() -> None:
    z = scored(white_field(-3.0 * gaussian(SHAPE, (41, 30), 1.5)[None]), sigma_px=1.5).z[0]
    assert z[30, 41] < -7


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("dimmed", [False, True])
def test_a_kind_of_heat_that_no_frame_shows_is_seen_nowhere(dimmed: bool) -> None:
    """Switched on at the very end, the slowest kinds reach no frame."""
    unseen = replace(one_contrast(), body=np.zeros_like(one_contrast().body))
    maps = np.random.default_rng(83).standard_normal((1, *SHAPE))
    emissivity = np.full(SHAPE, 0.9, np.float32) if dimmed else None
    found = score(
        white_field(maps),
        contrasts=unseen,
        age_s=AGES_S,
        templates=(replace(BODY, dimmed=dimmed),),
        sigma_px=1.5,
        emissivity=emissivity,
        scale=1.0,
    )
    assert np.array_equal(found.z, np.zeros_like(found.z))


def test_louder_quiet_maps_lower_the_scores_and_softer_ones_do_not_raise_them() -> None:
    rng = np.random.default_rng(82)
    maps = rng.standard_normal((1, *SHAPE))
    for loud, expected in ((2.0, 2.0), (0.5, 1.0)):
        quiet = loud * rng.standard_normal((3, *SHAPE))
        field = white_field(maps, quiet=quiet)
        found = scored(field, sigma_px=1.5, scale=None)
        assert found.scale == pytest.approx(expected, rel=0.06)


def test_false_alarms_grow_with_area_and_fall_with_level() -> None:
    rough = np.array([0.2, 0.05])
    levels = [false_alarm_probability(u, area_px=5000, roughness=rough) for u in (3, 4, 5, 6)]
    assert np.all(np.diff(levels) < 0)
    small, large = (false_alarm_probability(4.5, area_px=a, roughness=rough) for a in (3e3, 3e4))
    assert small < large < 11 * small
    assert false_alarm_probability(-3.0, area_px=5e4, roughness=rough) <= 1.0


@pytest.mark.slow
def test_one_filter_raises_false_alarms_as_often_as_it_says() -> None:
    rng = np.random.default_rng(83)
    allowed = inner(np.zeros(SHAPE, bool))
    spot = rendered(white_field(np.zeros((1, *SHAPE))), sigma_px=1.5)
    tops = np.array(
        [
            scored(white_field(rng.standard_normal((1, *SHAPE))), sigma_px=1.5).z[0][allowed].max()
            for _ in range(600)
        ]
    )
    area = float(allowed.sum())
    chance = [
        false_alarm_probability(float(t), area_px=area, roughness=np.array([spot.roughness]))
        for t in tops
    ]
    for level in (0.05, 0.2):
        share = np.mean(np.array(chance) < level)
        # Euler's approximation is on the safe side (pixels miss the tops between them).
        assert 0.5 * level < share < level + 2.5 * np.sqrt(level / 600)


@pytest.mark.slow
def test_a_whole_family_stays_on_the_safe_side() -> None:
    rng = np.random.default_rng(84)
    allowed = inner(np.zeros(SHAPE, bool))
    templates = build_templates(0.3)
    chances = []
    for _ in range(80):
        scores = scored(
            white_field(rng.standard_normal((1, *SHAPE))), sigma_px=1.5, templates=templates
        )
        top = float(scores.z[:, allowed].max())
        chances.append(
            false_alarm_probability(top, area_px=float(allowed.sum()), roughness=scores.roughness)
        )
    assert np.mean(np.array(chances) < 0.1) <= 0.1 + 2 * np.sqrt(0.09 / 80)
    # ... and not absurdly so: the median recording must not be certain of nothing.
    assert np.median(chances) < 1.0


def test_the_filter_does_not_depend_on_the_size_of_the_contrast() -> None:
    maps = 3.0 * gaussian(SHAPE, (41, 30), 1.5)[None]
    a = rendered(white_field(maps), sigma_px=1.5)
    assert a.energy == pytest.approx(np.pi * 1.5**2, rel=0.01)
    assert one_contrast().body.shape[1] >= BODY.tau_index
