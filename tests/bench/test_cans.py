"""Shield cans: what lies under one is hidden, and seen once it is lifted."""

from __future__ import annotations

import numpy as np
import pytest

from hotspot.bench.cameras import PracticeStand, build_practice_scene
from hotspot.bench.cans import find_can_over, find_cans_on_rail
from hotspot.bench.score import score_practice
from hotspot.files.boards import load_board
from hotspot.jobs.practice_job import sample_board
from hotspot.radiometry import to_celsius

# Hides C45 on VRF, under the can SH1 (as the demo board's drawing shows them).
SEED, RAIL, PART, CAN = 7, "VRF", "C45", "SH1"


def test_parts_under_a_can_are_told_from_those_beside_it() -> None:
    board = load_board(sample_board())
    assert find_can_over(board, PART) == CAN
    assert [find_can_over(board, ref) for ref in ("C8", CAN, "U1", "none such")] == [""] * 4
    assert find_cans_on_rail(board, RAIL) == (CAN,)
    assert find_cans_on_rail(board, "VSENS") == ()
    assert find_cans_on_rail(board, None) == ()


@pytest.mark.parametrize("lifted", [False, True])
def test_the_camera_sees_the_part_only_without_its_can(lifted: bool) -> None:
    """A spot of a few pixels stands out of its surroundings by its optics; a warm can does not."""
    board = load_board(sample_board())
    now_s = [0.0]
    stand = PracticeStand(
        board, seed=SEED, taken_off=("sh1",) if lifted else (),
        clock=lambda: now_s[0], wait=lambda s: now_s.__setitem__(0, now_s[0] + s),
    )  # fmt: skip

    def mean(frames: int) -> np.ndarray:
        pictures = [to_celsius(stand.read().counts, stand.profile) for _ in range(frames)]
        return np.asarray(np.mean(pictures, axis=0))

    cold = mean(60)
    stand.supply.set_point(0.15, 1.5)
    stand.supply.switch_on()
    for _ in range(100):
        stand.read()
    rise = mean(60) - cold
    part = board.part(PART)
    assert part is not None
    scene = build_practice_scene(board, seed=SEED)
    x, y = scene.to_thermal_px(np.array([[part.x_mm, part.y_mm]]))[0]
    row, col = round(y), round(x)
    near = rise[row - 1 : row + 2, col - 1 : col + 2].mean()
    around = np.median(rise[row - 12 : row + 13, col - 12 : col + 13])
    assert bool(near - around > 0.3) is lifted


def test_the_score_explains_a_part_under_a_can() -> None:
    board = load_board(sample_board())

    def points(named: list[str], *verdicts: str) -> tuple[int, str]:
        found = [{"verdict": v} for v in verdicts]
        score = score_practice(
            board, seed=SEED, named=named, findings=found, rails=[RAIL], planned=True
        )
        return score.points, "\n".join(score.lines)

    for verdict in ("cannot tell", "hot spot"):
        score, lines = points([PART], verdict)
        assert score == 100
        assert f"under the shield can {CAN}" in lines
    score, lines = points(["C41"], "cannot tell")
    assert score == 40
    assert "mm away" in lines
    assert points([PART])[0] == 90  # without any evidence
