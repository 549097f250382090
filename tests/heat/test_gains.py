"""What switching explains of one place: the table says the same as the direct sum."""

from __future__ import annotations

import numpy as np
import pytest

from hotspot.heat.answers import build_answers, finer_answers
from hotspot.heat.courses import SPREADS_PX, Courses
from hotspot.heat.gains import build_gain, build_table_gain

T_S = np.arange(0.0, 60.0, 0.25)
WIDTHS = len(SPREADS_PX)


def place(rng: np.random.Generator) -> Courses:
    blobs = rng.standard_normal((WIDTHS, 40)) + 2
    values = rng.standard_normal((WIDTHS, len(T_S), 1)) + np.sin(T_S / 4)[None, :, None]
    return Courses(values=values.astype(np.float32), gram=(blobs @ blobs.T)[None])


@pytest.mark.parametrize(
    "edges", [(7.3, 12.1), (3.0,), (0.0, 4.02, 9.5, 14.7, 20.0, 24.9), (30.0, 59.9)]
)
def test_the_table_agrees_with_the_sum(edges: tuple[float, ...]) -> None:
    courses = place(np.random.default_rng(3))
    answers = build_answers(0.25)
    for some in (answers[:1], answers[-1:], finer_answers(answers)[1:]):
        given = {"place": 0, "answers": some, "white": np.eye(len(T_S)), "t_s": T_S}
        direct = build_gain(courses, **given)(np.array(edges))
        assert build_table_gain(courses, **given)(np.array(edges)) == pytest.approx(
            direct, rel=2e-3, abs=1e-2
        )


def test_cooling_counts_against_and_no_edges_explain_nothing() -> None:
    answers = build_answers(None, spreads_px=(0.0,))
    warm = (T_S > 20).astype(np.float32)
    gram = np.ones((1, 1, 1))
    given = {"place": 0, "answers": answers, "white": np.eye(len(T_S)), "t_s": T_S}
    for build in (build_gain, build_table_gain):
        heats = build(Courses(values=warm[None, :, None], gram=gram), **given)
        cools = build(Courses(values=-warm[None, :, None], gram=gram), **given)
        assert heats(np.array([20.0])) > 0 > cools(np.array([20.0]))
        assert heats(np.zeros(0)) == -np.inf
