"""What nothing moved by goes back, exactly; what moved, or may have, stays out."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from hotspot.heat.drift import BOARD_ITSELF, WAVES, Drift, build_patterns, remove_drift
from hotspot.heat.still import LEAST_QUIET, Still, find_still

ROWS, COLS, BINS, QUIET = 44, 60, 60, 30
BAD = np.zeros((ROWS, COLS), dtype=bool)
BAD[7, 9:12] = True
GOOD = ~BAD.reshape(-1)


def cold_and_board(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A cold picture of a board on a bench, and the share of board in each pixel."""
    on_board = np.zeros((ROWS, COLS), np.float32)
    on_board[5:39, 7:53] = 1
    cold = 22.0 + 1.5 * on_board
    for _ in range(40):
        y, x = rng.integers(6, ROWS - 12), rng.integers(8, COLS - 14)
        cold[y : y + rng.integers(2, 6), x : x + rng.integers(2, 6)] += rng.normal(0, 0.8)
    blurred = [cv2.GaussianBlur(p.astype(np.float32), (0, 0), 0.8) for p in (cold, on_board)]
    return blurred[0], blurred[1]


def patterns_and_names(
    rng: np.random.Generator, *, outline: bool = True
) -> tuple[np.ndarray, tuple[str, ...]]:
    cold, on_board = cold_and_board(rng)
    patterns, names = build_patterns(cold, bad=BAD, on_board=on_board if outline else None)
    # In any order: what is kept must not depend on which comes first.
    order = rng.permutation(len(names))
    return patterns[:, order], tuple(names[i] for i in order)


def quiet_and_heat(rng: np.random.Generator, quiet: int = QUIET) -> tuple[np.ndarray, np.ndarray]:
    """Return orthonormal weights (quiet, BINS) of quiet contrasts, and two others (2, BINS)."""
    all_of_them = np.linalg.qr(rng.normal(size=(BINS, quiet + 2)))[0].T
    return all_of_them[:quiet], all_of_them[quiet:]


def orthonormal(patterns: np.ndarray, names: tuple[str, ...]) -> tuple[np.ndarray, list[str]]:
    """Patterns made orthonormal one after another by QR, those that are no waves first."""
    order = sorted(range(len(names)), key=lambda i: names[i].startswith(WAVES))
    weighed = (patterns * GOOD[:, None])[:, order].astype(np.float64)
    return np.linalg.qr(weighed)[0], [names[i] for i in order]


def removed(values: np.ndarray, patterns: np.ndarray, names: tuple[str, ...]) -> Drift:
    """Take drift out of values, in place."""
    return remove_drift(values, patterns=patterns, names=names, bad=BAD)


def put_back(
    drift: Drift,
    *,
    quiet: np.ndarray,
    heat: np.ndarray,
    values: np.ndarray,
    good: np.ndarray = GOOD,
) -> Still:
    """What goes back of values (BINS, pixels) that the drift was taken out of."""
    maps = (heat @ values).reshape(-1, ROWS, COLS).astype(np.float32)
    return find_still(drift, quiet=quiet, signal=heat, maps=maps, good=good)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(88)


def test_what_nothing_moved_by_is_put_back_exactly(rng: np.random.Generator) -> None:
    patterns, names = patterns_and_names(rng)
    quiet, heat = quiet_and_heat(rng)
    values = rng.standard_normal((BINS, ROWS * COLS)).astype(np.float32)
    # The room: a level and the board as a whole, which is never put back.
    values += (5 * rng.normal(size=(BINS, 1)) * patterns[:, names.index(BOARD_ITSELF)]).astype(
        np.float32
    )
    before = values.copy()
    drift = removed(values, patterns, names)
    still = put_back(drift, quiet=quiet, heat=heat, values=values)
    waves = sum(n.startswith(WAVES) for n in names)
    assert still.patterns.shape == (ROWS * COLS, waves)
    assert still.coefficients.shape == (BINS, waves)
    np.testing.assert_allclose(
        still.patterns[GOOD].T @ still.patterns[GOOD], np.eye(waves), atol=2e-3
    )
    # As if only those that are no waves had ever been fitted.
    kept, _ = np.linalg.qr(
        patterns[GOOD][:, [not n.startswith(WAVES) for n in names]].astype(np.float64)
    )
    for contrasts in (heat, quiet):
        truth = contrasts @ before[:, GOOD]
        truth = truth - (truth @ kept) @ kept.T
        maps = (contrasts @ values + still.seen_by(contrasts))[:, GOOD]
        np.testing.assert_allclose(maps, truth, atol=2e-3)
        # And that is another map than the one without: the waves took something.
        assert np.abs((contrasts @ values)[:, GOOD] - truth).max() > 0.05


def test_what_moves_is_not_put_back(rng: np.random.Generator) -> None:
    patterns, names = patterns_and_names(rng)
    quiet, heat = quiet_and_heat(rng)
    basis, order = orthonormal(patterns, names)
    moving = [order.index("fine 1 1"), order.index("coarse 0 1")]
    before = rng.standard_normal((BINS, ROWS * COLS))
    # Of many sigma, at times of its own.
    for i in moving:
        before += 12 * rng.normal(size=(BINS, 1)) * basis[:, i]
    values = before.astype(np.float32)
    drift = removed(values, patterns, names)
    still = put_back(drift, quiet=quiet, heat=heat, values=values)
    taken = [i for i, n in enumerate(order) if not n.startswith(WAVES)] + moving
    assert still.patterns.shape[1] == len(order) - len(taken)
    # Which two axes moved is told to some hundredths, and what is left of them is less than noise.
    assert np.abs(basis[:, moving].T @ still.patterns).max() < 0.1
    seen = (heat @ values + still.seen_by(heat))[:, GOOD] @ basis[GOOD][:, moving]
    assert np.abs(heat @ before @ basis[:, moving]).max() > 5
    assert np.abs(seen).max() < 1


def test_a_draught_through_all_the_patterns_costs_one_axis(rng: np.random.Generator) -> None:
    """It moves along one mixture of the patterns, however many it takes to describe."""
    patterns, names = patterns_and_names(rng)
    quiet, heat = quiet_and_heat(rng)
    basis, order = orthonormal(patterns, names)
    waves = [i for i, n in enumerate(order) if n.startswith(WAVES)]
    mixture = basis[:, waves] @ rng.normal(size=len(waves))
    mixture /= np.linalg.norm(mixture)
    values = rng.standard_normal((BINS, ROWS * COLS)) + 9 * rng.normal(size=(BINS, 1)) * mixture
    values = values.astype(np.float32)
    still = put_back(removed(values, patterns, names), quiet=quiet, heat=heat, values=values)
    assert still.patterns.shape[1] == len(waves) - 1
    assert np.linalg.norm(mixture @ still.patterns) < 0.1


@pytest.mark.parametrize("wide", [True, False])
def test_in_step_heat_in_one_place_goes_back_and_a_hand_does_not(
    rng: np.random.Generator, wide: bool
) -> None:
    patterns, names = patterns_and_names(rng)
    quiet, heat = quiet_and_heat(rng)
    basis, order = orthonormal(patterns, names)
    waves = [i for i, n in enumerate(order) if n.startswith(WAVES)]
    y, x = np.mgrid[:ROWS, :COLS]
    spot = np.exp(-((x - 33) ** 2 + (y - 21) ** 2) / (2 * 4.0**2)).reshape(-1)
    moved = basis[:, order.index("fine 1 1")] if wide else spot / np.linalg.norm(spot)
    values = rng.standard_normal((BINS, ROWS * COLS)) + 60 * heat[:1].T * moved
    values = values.astype(np.float32)
    still = put_back(removed(values, patterns, names), quiet=quiet, heat=heat, values=values)
    seen = (heat[:1] @ values + still.seen_by(heat[:1]))[0]
    assert still.patterns.shape[1] == len(waves) - (1 if wide else 0)
    if wide:
        assert abs(seen @ moved) < 6
    else:
        # The level, surfaces and the board as a whole keep a quarter of a wide spot.
        assert seen @ moved > 40


def test_a_wide_warm_place_keeps_what_the_waves_would_take(rng: np.random.Generator) -> None:
    """The waves take half of a spot of 4 px (0.9 of 2 is left), the other patterns a quarter."""
    patterns, names = patterns_and_names(rng)
    quiet, heat = quiet_and_heat(rng)
    y, x = np.mgrid[:ROWS, :COLS]
    spot = np.exp(-((x - 33) ** 2 + (y - 21) ** 2) / (2 * 4.0**2)).reshape(-1)
    values = rng.standard_normal((BINS, ROWS * COLS)) + 2 * heat[:1].T * spot
    values = values.astype(np.float32)
    drift = removed(values, patterns, names)
    still = put_back(drift, quiet=quiet, heat=heat, values=values)
    without = float((heat[:1] @ values @ spot)[0] / (spot @ spot))
    with_still = float(((heat[:1] @ values + still.seen_by(heat[:1])) @ spot)[0] / (spot @ spot))
    # Noise of either: 1 / norm of the spot, 0.14.
    assert with_still > 1.3 * without
    assert with_still < 2.3


def test_nothing_is_put_back_where_the_outline_is_not_known(rng: np.random.Generator) -> None:
    patterns, names = patterns_and_names(rng, outline=False)
    assert BOARD_ITSELF not in names
    quiet, heat = quiet_and_heat(rng)
    values = rng.standard_normal((BINS, ROWS * COLS)).astype(np.float32)
    drift = removed(values, patterns, names)
    still = put_back(drift, quiet=quiet, heat=heat, values=values)
    assert still.patterns.shape == (ROWS * COLS, 0)
    assert not still.seen_by(heat).any()
    assert still.seen_by(heat).shape == (2, ROWS * COLS)


@pytest.mark.parametrize(("share", "known"), [(1.0, True), (0.0, False)])
def test_a_board_that_fills_the_picture_has_a_known_outline(
    rng: np.random.Generator, share: float, known: bool
) -> None:
    cold = rng.normal(22.0, 1.0, (ROWS, COLS)).astype(np.float32)
    filled = np.full((ROWS, COLS), share, np.float32)
    patterns, names = build_patterns(cold, bad=np.zeros((ROWS, COLS), bool), on_board=filled)
    assert BOARD_ITSELF not in names
    quiet, heat = quiet_and_heat(rng)
    values = rng.standard_normal((BINS, ROWS * COLS)).astype(np.float32)
    drift = removed(values, patterns, names)
    still = put_back(drift, quiet=quiet, heat=heat, values=values)
    waves = sum(n.startswith(WAVES) for n in names)
    assert still.patterns.shape == (ROWS * COLS, waves if known else 0)


@pytest.mark.parametrize("quiet_ones", [LEAST_QUIET - 1, LEAST_QUIET])
def test_too_few_quiet_contrasts_do_not_tell_what_moved(
    rng: np.random.Generator, quiet_ones: int
) -> None:
    patterns, names = patterns_and_names(rng)
    quiet, heat = quiet_and_heat(rng, quiet_ones)
    values = rng.standard_normal((BINS, ROWS * COLS)).astype(np.float32)
    drift = removed(values, patterns, names)
    still = put_back(drift, quiet=quiet, heat=heat, values=values)
    assert (still.patterns.shape[1] > 0) == (quiet_ones >= LEAST_QUIET)


@pytest.mark.parametrize("side", [6, 12, 24])
def test_patterns_that_nearly_repeat_one_another_are_no_fault(
    rng: np.random.Generator, side: int
) -> None:
    """With most pixels left out, smooth patterns hardly differ over those that are kept."""
    patterns, names = patterns_and_names(rng)
    bad = np.ones((ROWS, COLS), dtype=bool)
    bad[12 : 12 + side, 20 : 20 + side] = False
    good = ~bad.reshape(-1)
    quiet, heat = quiet_and_heat(rng)
    values = rng.standard_normal((BINS, ROWS * COLS)).astype(np.float32)
    before = values.copy()
    drift = remove_drift(values, patterns=patterns, names=names, bad=bad)
    still = put_back(drift, quiet=quiet, heat=heat, values=values, good=good)
    kept, whole = (heat @ values)[:, good], (heat @ before)[:, good]
    back = still.seen_by(heat)[:, good]
    assert np.isfinite(back).all()
    # Something comes back, and no more than was taken out.
    assert np.linalg.norm(kept) < np.linalg.norm(kept + back) <= np.linalg.norm(whole)
