"""Before and after on one scale, and the readings of a practice board."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile

from hotspot.bench.cameras import build_practice_scene
from hotspot.errors import InputError
from hotspot.files.boards import load_board
from hotspot.files.heatfile import load_heat_picture, save_heat
from hotspot.heat.heatmap import HeatMap
from hotspot.jobs.practice_job import measure_practice_board, sample_board
from hotspot.jobs.side_by_side import find_deciding, load_side_by_side
from hotspot.store.entries import Attachment, FindingEntry, Phase
from hotspot.store.jobs import JobStore, open_store


def heat_file(folder: Path, *, peak: float) -> None:
    rise = np.random.default_rng(1).normal(0.0, 0.01, (30, 40)).astype(np.float32)
    rise[10:13, 20:23] = peak
    valid = np.ones(rise.shape, bool)
    valid[0, 0] = False
    sigma = np.full(rise.shape, 0.01, np.float32)
    save_heat(folder / "heat.tif", HeatMap(rise, sigma, rise, valid, rise))


def entry(
    store: JobStore, folder: Path, verdict: str, phase: Phase, *, peak: float
) -> FindingEntry:
    heat_file(folder, peak=peak)
    sha, size = store.blobs.put(folder / "heat.tif")
    files = (Attachment("heat.tif", "evidence", sha, size, phase=phase),)
    return FindingEntry(verdict, {"verdict": verdict, "suspects": []}, phase=phase, files=files)


def test_both_pictures_share_the_scale_of_the_one_that_counts(tmp_path: Path) -> None:
    with open_store(str(tmp_path / "jobs.db")) as store:
        job = store.new_job(customer="K-1").id
        nothing = load_side_by_side(store, store.job_file(job))
        assert (nothing.before, nothing.after) == (None, None)
        store.add(job, [
            entry(store, tmp_path, "hot spot", Phase.BEFORE, peak=2.0),
            entry(store, tmp_path, "cannot tell", Phase.BEFORE, peak=0.3),
        ])  # fmt: skip
        half = load_side_by_side(store, store.job_file(job))
        assert half.after is None
        assert half.top == pytest.approx(2.0)
        store.add(job, [entry(store, tmp_path, "no hot spot", Phase.AFTER, peak=0.02)])
        file = store.job_file(job)
        both = load_side_by_side(store, file)
        assert find_deciding(file, Phase.BEFORE) is not None
        assert both.before is not None
        assert both.after is not None
        assert np.isnan(both.before[0, 0])
        assert both.top == pytest.approx(2.0)  # noise after the repair must not look like heat
        assert both.after_top < 0.05
        assert both.unit == "K"


def test_what_is_no_heat_map_is_one_line(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "other.tif", np.zeros((4, 5), np.uint8))
    for data in (b"", b"II*\x00 rubbish", (tmp_path / "other.tif").read_bytes()):
        with pytest.raises(InputError, match="no heat map"):
            load_heat_picture(data)


def test_the_practice_board_reads_sound_once_the_short_is_off() -> None:
    board = load_board(sample_board())
    circuit = build_practice_scene(board, seed=5).circuit
    sound = {r.name: r.healthy_ohm for r in board.rails}
    for off, ohm in (((), circuit.short_ohm), (("C1",), circuit.short_ohm), (("c8",), 9200.0)):
        found = {r.target: r.value for r in measure_practice_board(board, seed=5, taken_off=off)}
        assert found["VSYS"] == pytest.approx(ohm, abs=0.006)
        assert {k: v for k, v in found.items() if k != "VSYS"} == pytest.approx(
            {k: v for k, v in sound.items() if k != "VSYS"}
        )
