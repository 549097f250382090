"""Courses that separate places share at times of their own; shorts are nothing of the kind."""

from __future__ import annotations

import numpy as np
import pytest

from hotspot.heat.together import without_shared_courses

ROWS, COLS, SIGNAL, QUIET = 60, 80, 5, 30
GOOD = np.zeros((ROWS, COLS), bool)
PADS = ((10, 12), (65, 8), (20, 50), (70, 45))
SHORT = (42, 30)


def blob(at: tuple[int, int], *, sigma_px: float = 1.3) -> np.ndarray:
    y, x = np.mgrid[:ROWS, :COLS]
    return np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * sigma_px**2))


def scene(rng: np.random.Generator, *, courses: int, short: float) -> tuple[np.ndarray, np.ndarray]:
    """Noise, pads that wander with so many courses between them, and a short in step."""
    maps = rng.standard_normal((SIGNAL, ROWS, COLS))
    quiet = rng.standard_normal((QUIET, ROWS, COLS))
    for i, pad in enumerate(PADS if courses else ()):
        course = np.random.default_rng(i % courses).standard_normal(SIGNAL + QUIET)
        course *= 16 / np.linalg.norm(course)
        maps += course[:SIGNAL, None, None] * blob(pad)
        quiet += course[SIGNAL:, None, None] * blob(pad)
    maps[0] += short * blob(SHORT)
    quiet[0] += 0.1 * short * blob(SHORT)
    return maps.astype(np.float32), quiet.astype(np.float32)


def energy(maps: np.ndarray, at: tuple[int, int]) -> float:
    return float(np.sum(np.tensordot(maps, blob(at), axes=2) ** 2))


def test_pads_that_wander_together_lose_their_part_in_step() -> None:
    maps, quiet = scene(np.random.default_rng(1), courses=1, short=8.0)
    calmed = without_shared_courses(maps, quiet, bad=GOOD)
    assert calmed.courses == 1
    for pad in PADS:
        assert energy(calmed.maps, pad) < 0.15 * energy(maps, pad)
        assert calmed.doubt[pad[1], pad[0]] > 0
    # The short is no pad: it stays to the last bit.
    window = np.s_[:, SHORT[1] - 4 : SHORT[1] + 5, SHORT[0] - 4 : SHORT[0] + 5]
    assert np.array_equal(calmed.maps[window], maps[window])
    assert calmed.doubt[SHORT[1], SHORT[0]] == 0


@pytest.mark.parametrize(("courses", "short"), [(0, 0.0), (0, 30.0), (4, 8.0), (1, 200.0)])
def test_nothing_is_taken_where_nothing_is_shared_or_heat_is_strong(
    courses: int, short: float
) -> None:
    maps, quiet = scene(np.random.default_rng(2), courses=courses, short=short)
    calmed = without_shared_courses(maps, quiet, bad=GOOD)
    assert calmed.courses == 0
    assert np.array_equal(calmed.maps, maps)
    assert not calmed.doubt.any()


def test_two_shorts_and_their_path_are_no_shared_course() -> None:
    """Three places in step, each with a tenth of its energy out of it, as bad models have."""
    rng = np.random.default_rng(3)
    maps, quiet = scene(rng, courses=0, short=0.0)
    for at in PADS[:3]:
        maps[0] += (14 * blob(at)).astype(np.float32)
        quiet[2] += (14 * np.sqrt(0.1) * blob(at)).astype(np.float32)
    calmed = without_shared_courses(maps, quiet, bad=GOOD)
    assert calmed.courses == 0
