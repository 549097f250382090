"""Benchmarks that reach into the line and the bench go on working: a short turn of each."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks import soak, speed


def test_the_soak_records_what_it_was_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    soak.run(200, container="mkv", folder=tmp_path)
    said = capsys.readouterr().out
    assert "complete: True; back after a gap: 1 time(s)" in said
    frames = int(said.split("opened in")[1].split(" frames read")[0].split(",")[1])
    assert frames >= 199  # one is lost to the pulled plug


def test_the_overlay_is_timed_beside_its_alternatives() -> None:
    row = speed.overlay_row(1)
    assert row.ours.cpu_s > 0
    assert set(row.others) == {"OpenCV warp and blend", "skimage warp"}
