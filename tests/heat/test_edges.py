"""A train of pulses is told from one that was on when the recording began."""

from __future__ import annotations

import numpy as np
import pytest

from hotspot.checks import FloatArray
from hotspot.heat.edges import BEGUN_ON_NATS, Gain, refine_train
from tests.heat.made_frames import lumped

TIMES_S = np.linspace(0.0, 60.0, 241)
NOISE = 0.25
TAU_S = 2.0
# No made train but the last begins before this.
BEGINS_BY_S = 5.0


def gain_of(course: FloatArray) -> Gain:
    """Half of what the best amplitude, beside a level, takes off the sum of squares."""

    def gain(edges: FloatArray) -> float:
        model = lumped(TIMES_S, tuple(edges), TAU_S)
        model = model - model.mean()
        power = float(np.sum(model**2))
        return 0.0 if power == 0 else 0.5 * float(model @ course) ** 2 / power / NOISE**2

    return gain


def course(edges: tuple[float, ...], *, share: float, seed: int) -> FloatArray:
    noise = np.random.default_rng(seed).normal(0, NOISE, len(TIMES_S))
    return share * lumped(TIMES_S, edges, TAU_S) + noise


@pytest.mark.parametrize("seed", range(6))
def test_a_cold_start_is_not_taken_for_a_pulse_that_has_begun(seed: int) -> None:
    """Noise in the first bins is no pulse: the train begins where its heat does."""
    edges = tuple(9.5 + 7.0 * i for i in range(7))
    found = refine_train(
        gain_of(course(edges, share=0.25, seed=seed)), first_s=0.0, last_s=60.0, frequency=1 / 14
    )
    assert found[0] > BEGINS_BY_S
    assert found[0] == pytest.approx(9.5, abs=1.5)


def test_a_pulse_that_was_on_from_the_first_frame_is_kept_where_the_data_insist() -> None:
    edges = (0.0, *(7.0 + 7.0 * i for i in range(7)))
    seen = course(edges, share=2.0, seed=1)
    gain = gain_of(seen)
    assert gain(np.array(edges)) - gain(np.array(edges[2:])) > BEGUN_ON_NATS
    found = refine_train(gain, first_s=0.0, last_s=60.0, frequency=1 / 14)
    assert found[0] < 1.0
    assert len(found) == len(edges)
