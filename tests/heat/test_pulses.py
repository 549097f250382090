"""Pulses that keep no time are read off a course, each where it says something."""

from __future__ import annotations

import numpy as np
import pytest

from hotspot.checks import FloatArray
from hotspot.heat.answers import build_answers, finer_answers
from hotspot.heat.courses import Courses
from hotspot.heat.gains import TableGain, build_table_gain
from hotspot.heat.pulses import SHORTEST_S, find_pulses
from tests.heat.made_frames import lumped

T_S = np.arange(0.0, 60.0, 0.25)
FREE = len(T_S) - 2
TAU_S = 1.2
# Times that no train has: on for 2.5, 6, 1.5 and 7 s, off for 9.5, 3 and 2.5 s.
EDGES_S = (8.0, 10.5, 20.0, 26.0, 29.0, 30.5, 33.0, 40.0)


def gain_of(course: FloatArray) -> TableGain:
    answers = build_answers(None, spreads_px=(0.0,))
    course = course - course.mean()
    white = np.eye(len(T_S)) - 1.0 / len(T_S)
    return build_table_gain(
        Courses(values=course.astype(np.float32)[None, :, None], gram=np.ones((1, 1, 1))),
        place=0,
        answers=(*answers, *finer_answers(answers)),
        white=white,
        t_s=T_S,
    )


def noisy(edges: tuple[float, ...], *, rise: float, seed: int) -> FloatArray:
    """Rises in units of the noise of one bin; the whole in units of its own scatter if larger."""
    noise = np.random.default_rng(seed).standard_normal(len(T_S))
    course = rise * lumped(T_S, edges, TAU_S) + noise
    return course / max(1.0, float(course.std()))


@pytest.mark.parametrize(("rise", "within_s"), [(5.0, 0.8), (8.0, 0.4), (100.0, 0.25)])
@pytest.mark.parametrize("seed", range(3))
def test_irregular_pulses_are_found_one_by_one(rise: float, within_s: float, seed: int) -> None:
    found = find_pulses(gain_of(noisy(EDGES_S, rise=rise, seed=seed)), free=FREE)
    assert len(found) == len(EDGES_S)
    np.testing.assert_allclose(found, EDGES_S, atol=within_s)


@pytest.mark.parametrize("seed", range(20))
def test_noise_has_no_pulses(seed: int) -> None:
    assert find_pulses(gain_of(noisy((70.0,), rise=0.0, seed=seed)), free=FREE) == ()


def test_an_output_that_stays_on_has_no_last_edge() -> None:
    found = find_pulses(gain_of(noisy((15.0, 22.0, 45.0), rise=4.0, seed=2)), free=FREE)
    np.testing.assert_allclose(found, (15.0, 22.0, 45.0), atol=0.5)


def test_a_known_step_grows_only_where_more_is_there() -> None:
    alone = gain_of(noisy((20.0, 33.0), rise=3.0, seed=3))
    assert find_pulses(alone, free=FREE, start=(20.0, 33.0)) == (20.0, 33.0)
    more = gain_of(noisy(EDGES_S, rise=5.0, seed=3))
    grown = find_pulses(more, free=FREE, start=(20.0, 40.0))
    np.testing.assert_allclose(grown, EDGES_S, atol=0.8)


@pytest.mark.parametrize("edges", [(), (8.0, 30.0), (8.0, 20.0, 41.0)])
def test_the_best_pair_is_the_best_of_all_pairs(edges: tuple[float, ...]) -> None:
    """Against every pair that fits, each asked for its gain."""
    gain = gain_of(noisy(EDGES_S, rise=2.0, seed=4))
    known = np.array(edges)
    moments = 24
    picked = np.linspace(0, len(gain.at_s) - 1, moments).round().astype(int)
    best = -np.inf
    for i, first in enumerate(gain.at_s[picked]):
        for second in gain.at_s[picked[i + 1 :]]:
            if np.any((known > first) & (known <= second)) or second - first < SHORTEST_S:
                continue
            # Steps at the last moment have no answer, and the sum does not like them.
            best = max(best, gain(np.sort(np.r_[known, first, second])))
    more = gain.best_pair(known, moments=moments, least_s=SHORTEST_S)
    assert len(more) == len(known) + 2
    assert gain(more) == pytest.approx(best, rel=1e-6)
