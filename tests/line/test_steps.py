"""What was left out and mended on the way to a finding is counted in it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.find import find
from hotspot.finding import Finding, finding_to_dict
from hotspot.frame import ArraySource
from tests.line.test_find import CAMERA, demo_board, simulated

DEAD, BLINKING = ((20, 30), (41, 12)), (33, 50)
REPEATED, BACKWARD, LOST = (40, 80, 81), 60, slice(100, 108)


@pytest.fixture(scope="module")
def finding() -> Finding:
    """Return what is found in frames that were spoilt in every way but one."""
    made = simulated("C18", duration_s=20.0).recording
    frames = np.concatenate(list(made.source.chunks()))
    for row, column in DEAD:
        frames[:, row, column] = frames.min()
    rng = np.random.default_rng(3)
    blinks = np.repeat(rng.integers(0, 2, size=len(frames) // 5 + 1), 5)[: len(frames)]
    frames[:, *BLINKING] += (40 * blinks).astype(frames.dtype)
    for index in REPEATED:
        frames[index] = frames[index - 1]
    t_s = made.t_s.copy()
    t_s[BACKWARD] = t_s[BACKWARD - 2]
    kept = np.ones(len(frames), bool)
    kept[LOST] = False
    spoilt = replace(made, source=ArraySource(frames[kept]), t_s=t_s[kept])
    return find(spoilt, board=demo_board())


def test_every_kind_of_damage_is_counted(finding: Finding) -> None:
    frames = finding.frames
    # The practice camera repeats a frame now and then by itself.
    assert len(REPEATED) <= frames.repeated <= len(REPEATED) + 6
    assert len(DEAD) <= frames.bad_pixels + frames.blinking_pixels <= len(DEAD) + 4
    assert frames.times_mended == 1
    assert frames.gaps == 1
    assert finding.suspects[0].ref == "C18"


def test_the_noise_of_pixels_rows_and_columns_is_told(finding: Finding) -> None:
    pixel, row, column = finding.frames.noise
    assert pixel == pytest.approx(1e-3 * CAMERA.netd_mk, rel=0.15)
    assert row == pytest.approx(1e-3 * CAMERA.row_noise_mk, abs=3e-3)
    assert column == pytest.approx(1e-3 * CAMERA.column_noise_mk, abs=3e-3)
    told = finding_to_dict(finding)
    assert told["frame_noise"] == {"pixel": pixel, "row": row, "column": column, "unit": "K"}
    assert told["frames"]["gaps"] == 1


def test_the_steps_go_into_the_record(finding: Finding) -> None:
    steps = {step.name: dict(step.settings) for step in finding.steps}
    assert steps["frames"]["gaps"] == "1"
    assert steps["frames"]["used"] == str(finding.frames.used)
    assert int(steps["response"]["signal contrasts"]) >= 1
    assert steps["noise of one frame"]["pixel"].endswith(" mK")
    assert int(steps["drift"]["put back"]) <= int(steps["drift"]["patterns"])
