"""The committed sample recordings are what the simulator makes."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hotspot.files.boards import load_board
from hotspot.files.recordings import load_recording
from hotspot.practice.demo_board import build_demo_board
from hotspot.practice.samples import SAMPLE_CASES, simulate_sample

SAMPLES = Path(__file__).resolve().parents[2] / "sample_frames"
BY_NAME = {case.name: case for case in SAMPLE_CASES}


def board():
    there = load_board(SAMPLES / "board")
    return replace(build_demo_board(), photo_landmarks=there.photo_landmarks)


# Seconds made again: past the first switching where there is one to see.
@pytest.mark.parametrize(
    ("name", "seconds"), [("step", 11.0), ("pulsed", 12.0), ("healthy", 4.0), ("series", 10.0)]
)
def test_a_sample_made_again_is_the_same(name, seconds):
    kept = load_recording(SAMPLES / name)
    made = simulate_sample(BY_NAME[name], board(), duration_s=seconds).recording
    count = len(made.source)
    frames = np.concatenate(list(kept.source.chunks()))[:count]
    # The random stream is fixed; the linear solver may round the last digit another way, which
    # can tip a value that lies on the edge between two counts.
    apart = np.abs(frames.astype(int) - made.source.frames.astype(int))
    assert apart.max() <= 1
    assert (apart > 0).mean() < 1e-3
    np.testing.assert_allclose(kept.t_s[:count], made.t_s, atol=1e-6)
    np.testing.assert_allclose(kept.landmarks, made.landmarks, atol=0.011)
    assert kept.complete
    assert not kept.warnings
    assert Path(kept.board).resolve() == (SAMPLES / "board").resolve()


def test_the_truth_files_name_what_was_shorted():
    for name, case in BY_NAME.items():
        truth = json.loads((SAMPLES / name / "truth.json").read_text())
        assert truth["fault"] == case.fault
        assert truth["edges_s"] == pytest.approx(
            [round(t, 4) for t in case.switching.edges_s if t < case.duration_s]
        )


def test_the_pulsed_signal_lies_below_the_noise_of_one_frame():
    truth = json.loads((SAMPLES / "pulsed" / "truth.json").read_text())
    profile = load_recording(SAMPLES / "pulsed").profile
    assert 0.005 < truth["peak_rise_k"] < 1e-3 * profile.netd_mk
    assert not (SAMPLES / "pulsed" / "injection.csv").exists()


def test_in_the_series_sample_the_inductor_takes_as_much_as_the_short():
    powers = json.loads((SAMPLES / "series" / "truth.json").read_text())["power_w"]
    assert powers["L3"] == pytest.approx(powers["C8"], rel=0.3)


def test_the_samples_stay_small():
    assert sum(p.stat().st_size for p in SAMPLES.rglob("*") if p.is_file()) < 12e6


def test_the_board_pack_reads_back_as_the_board():
    there, made = load_board(SAMPLES / "board"), build_demo_board()
    assert there.parts == made.parts
    assert there.rails == made.rails
    assert there.ground == made.ground
    assert len(there.photo_landmarks) == 4
    assert there.photo is not None
