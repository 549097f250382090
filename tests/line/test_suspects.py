"""Which part: probabilities that are probabilities."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotspot.board import Board, Kind, Part, Rail, Role
from hotspot.locate.parts import PartScore
from hotspot.suspects import (
    MOST_HISTORY_FACTOR,
    SOMETHING_ELSE,
    build_priors,
    history_factors,
    name_suspects,
    posterior,
)


def board() -> Board:
    capacitors = tuple(
        Part(f"C{i}", Kind.CAPACITOR, "0402", 5.0 + 2 * i, 9.0, 1.0, 0.5, nets=("3V3", "GND"))
        for i in range(1, 7)
    )
    return Board(
        name="six in a row",
        width_mm=30.0,
        height_mm=20.0,
        parts=(
            *capacitors,
            Part("U1", Kind.IC, "QFN", 12.0, 14.0, 4.0, 4.0, nets=("3V3", "GND", "SDA")),
            Part("L1", Kind.INDUCTOR, "2520", 3.0, 4.0, 2.5, 2.0, nets=("SW", "3V3")),
            Part("R9", Kind.RESISTOR, "0402", 25.0, 3.0, 1.0, 0.5, nets=("SDA", "SCL")),
        ),
        rails=(Rail(name="3V3"),),
        ground=("GND",),
    )


def scores(logs: list[float], inside: list[bool] | None = None) -> tuple[PartScore, ...]:
    seen = [True] * len(logs) if inside is None else inside
    return tuple(
        PartScore(log_evidence=v * i, snr=float(np.sqrt(max(2 * v, 0))), inside=i)
        for v, i in zip(logs, seen, strict=True)
    )


def test_priors_sum_to_one_less_something_else_and_know_the_roles() -> None:
    priors = build_priors(board(), rail="3V3")
    assert sum(p.weight for p in priors) == pytest.approx(1 - SOMETHING_ELSE)
    roles = [p.role for p in priors]
    assert roles[:6] == [Role.SHUNT] * 6
    assert roles[6:] == [Role.LOAD, Role.SERIES, Role.UNRELATED]
    weight = [p.weight for p in priors]
    assert weight[0] > weight[6] > weight[7]
    assert weight[0] > 20 * weight[8]


def test_without_a_rail_every_role_is_unknown() -> None:
    assert {p.role for p in build_priors(board(), rail=None)} == {Role.UNKNOWN}


@settings(max_examples=60, deadline=None)
@given(
    logs=st.lists(st.floats(-50, 4000), min_size=9, max_size=9),
    inside=st.lists(st.booleans(), min_size=9, max_size=9),
    elsewhere=st.floats(-50, 4000),
)
def test_probabilities_are_probabilities(
    logs: list[float], inside: list[bool], elsewhere: float
) -> None:
    p = posterior(
        build_priors(board(), rail="3V3"), scores=scores(logs, inside), elsewhere=elsewhere
    )
    assert np.isfinite(p).all()
    assert np.all(p >= 0)
    assert p.sum() <= 1 + 1e-12


@settings(max_examples=30, deadline=None)
@given(order=st.permutations(range(9)), logs=st.lists(st.floats(0, 60), min_size=9, max_size=9))
def test_shuffled_parts_rank_the_same(order: list[int], logs: list[float]) -> None:
    plain = board()
    shuffled = replace(plain, parts=tuple(plain.parts[i] for i in order))
    p = posterior(build_priors(plain, rail="3V3"), scores=scores(logs), elsewhere=3.0)
    q = posterior(
        build_priors(shuffled, rail="3V3"), scores=scores([logs[i] for i in order]), elsewhere=3.0
    )
    np.testing.assert_allclose(q, p[order], atol=1e-12)


def test_bayes_by_hand() -> None:
    """Two likelihood ratios, e^3 and e^1, nothing else seen: weights times ratios, normalised."""
    priors = build_priors(board(), rail="3V3")
    logs = [3.0, 1.0] + [0.0] * 7
    p = posterior(priors, scores=scores(logs), elsewhere=0.5)
    w = np.array([x.weight for x in priors])
    joint = w * np.exp(logs)
    by_hand = joint / (joint.sum() + SOMETHING_ELSE * np.exp(0.5))
    np.testing.assert_allclose(p, by_hand, rtol=1e-9)


def test_a_part_outside_the_picture_competes_as_nothing_seen() -> None:
    priors = build_priors(board(), rail="3V3")
    inside = [False] + [True] * 8
    quiet = posterior(priors, scores=scores([0.0] * 9, inside), elsewhere=0.0)
    clear = posterior(priors, scores=scores([0.0, 30.0] + [0.0] * 7, inside), elsewhere=0.0)
    assert quiet[0] == pytest.approx(quiet[1])
    assert clear[0] < 1e-9


def test_history_helps_but_never_beyond_its_bound() -> None:
    plain = np.array([p.weight for p in build_priors(board(), rail="3V3")])
    taught = np.array(
        [p.weight for p in build_priors(board(), rail="3V3", history={"C4": 500, "C2": 1})]
    )
    ratio = (taught / taught[0]) / (plain / plain[0])
    assert ratio[3] > 1
    assert ratio[3] <= MOST_HISTORY_FACTOR**2 + 1e-9
    assert taught.sum() == pytest.approx(1 - SOMETHING_ELSE)


def test_suspects_are_named_with_their_reason() -> None:
    priors = build_priors(board(), rail="3V3")
    logs = [1.0, 2.0, 12.0] + [0.0] * 6
    p = posterior(priors, scores=scores(logs), elsewhere=0.0)
    named = name_suspects(
        board(),
        probabilities=p,
        priors=priors,
        scores=scores(logs),
        distance_mm=np.full(9, 0.25),
        spot=0,
        rail="3V3",
    )
    assert named[0].ref == "C3"
    assert named[0].probability > 0.9
    assert "capacitor from 3V3 to ground" in named[0].why
    assert "0.2 mm from the spot" in named[0].why
    assert sum(s.probability for s in named) <= 1
    probabilities = [s.probability for s in named]
    assert probabilities == sorted(probabilities, reverse=True)


def test_history_ties_nothing_however_long_it_is() -> None:
    history = {"C1": 3, "C2": 30, "C3": 300, "C4": 301, "c5": 3000, "gone": 8}
    factors = history_factors(board(), history=history)
    assert (np.diff(factors[:5]) > 1e-7).all()
    assert factors[:5].max() <= MOST_HISTORY_FACTOR
    assert factors[5:].min() >= 1 / MOST_HISTORY_FACTOR
    # One failure seen on one of many parts: about twice the weight, as Laplace's rule has it.
    one = history_factors(board(), history={"C4": 1})
    assert 1.5 < one[3] / one[0] <= 2.0
    assert np.allclose(history_factors(board(), history={}), 1.0)


def test_a_pull_up_is_not_called_path() -> None:
    more = replace(
        board(),
        parts=(*board().parts, Part("R1", Kind.RESISTOR, "", 1, 1, 1, 0.5, nets=("3V3", "SDA"))),
    )
    priors = build_priors(more, rail="3V3")
    named = name_suspects(
        more, probabilities=np.eye(10)[9], priors=priors, scores=scores([0.0] * 10),
        distance_mm=None, spot=None, rail="3V3",
    )  # fmt: skip
    assert "resistor on 3V3, but not to ground" in named[0].why
