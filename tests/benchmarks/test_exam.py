"""The exam's own checks: its oracle, its heat, its marks, and that what it writes can be read."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hotspot.files.boards import load_board
from hotspot.files.recordings import load_recording
from tests.benchmarks.exam import oracle, score
from tests.benchmarks.exam.case import build_case
from tests.benchmarks.exam.kinds import KINDS
from tests.benchmarks.exam.noise import SensorNoise, add_flicker, flicker_acf
from tests.benchmarks.exam.physics import build_network, solve_modes
from tests.benchmarks.exam.scene import draw_layout
from tests.benchmarks.exam.write import write_case

SIZE = (31, 43)


def blob(x: float, y: float, sigma: float = 2.0) -> np.ndarray:
    r, c = np.mgrid[: SIZE[0], : SIZE[1]]
    return np.exp(-((c - x) ** 2 + (r - y) ** 2) / (2 * sigma**2))


def white(frames: int, sigma_k: float, **changes: object) -> oracle.NoiseModel:
    model = oracle.NoiseModel(
        np.eye(frames) * sigma_k**2, 0.0, 0.0, np.zeros(frames, int), np.zeros((0, *SIZE)),
        np.ones(SIZE, bool),
    )  # fmt: skip
    return replace(model, **changes)


def test_snr_in_white_noise_is_the_signals_norm_over_sigma() -> None:
    """Kay, Detection Theory, eq. 4.14: deflection of the matched filter, signal free of offset."""
    course = np.r_[-np.ones(10), np.ones(10)][:, None]
    signal = oracle.Signal(course, blob(20, 15)[None])
    products = oracle.build_products(faults=[signal], others=[], path=None, noise=white(20, 0.05))
    got = oracle.bound(products, n_faults=1, rng=np.random.default_rng(0), power=0.3)
    want = 0.3 * np.linalg.norm(course[:, 0]) * np.linalg.norm(blob(20, 15)) / 0.05
    assert got.snr == pytest.approx(want, rel=1e-9)


def test_position_bound_of_a_gaussian_spot_is_width_over_snr_times_root_two() -> None:
    """For a spot exp(-r2 / 2 s2) in white noise each axis has sd sqrt(2) s / snr."""
    course = np.r_[-np.ones(10), np.ones(10)][:, None]
    signal = oracle.Signal(course, blob(20, 15, 3.0)[None])
    products = oracle.build_products(faults=[signal], others=[], path=None, noise=white(20, 0.05))
    got = oracle.bound(products, n_faults=1, rng=np.random.default_rng(0))
    assert got.median_error_px == pytest.approx(
        oracle.MEDIAN_OF_RADIUS * np.sqrt(2) * 3.0 / got.snr, rel=0.01
    )


def test_a_signal_like_a_nuisance_is_not_seen() -> None:
    course = np.r_[np.zeros(10), np.ones(10)][:, None]
    signal = oracle.Signal(course, blob(20, 15)[None])
    g = oracle.gram([signal], white(20, 0.05, nuisances=blob(20, 15)[None]))
    assert g[0, 0] < 1e-18
    steady = oracle.Signal(np.ones((20, 1)), blob(20, 15)[None])
    assert oracle.gram([steady], white(20, 0.05))[0, 0] < 1e-18


def test_row_noise_hides_what_is_alike_along_a_row() -> None:
    """A row signal meets cols x row variance besides the white one: closed form."""
    course = np.r_[-np.ones(10), np.ones(10)][:, None]
    pattern = np.zeros(SIZE)
    pattern[7] = 1.0
    signal = oracle.Signal(course, pattern[None])
    g = oracle.gram([signal], white(20, 0.05, row_k=0.02))
    assert g[0, 0] == pytest.approx(20 * SIZE[1] / (0.05**2 + SIZE[1] * 0.02**2), rel=1e-9)


def test_matched_filter_that_draws_noise_reaches_the_bound_of_flicker() -> None:
    """Spread of the whitened filter over drawn 1/f noise is 1 (Monte Carlo, 3000 pixels)."""
    noise = SensorNoise(0.0, 1.0, 1.1, 0.0, 0.0, 0.0)
    frames = np.zeros((60, 50, 60), np.float32)
    add_flicker(frames, slots=np.arange(60), n_slots=60, noise=noise, rng=np.random.default_rng(3))
    lag = np.abs(np.arange(60)[:, None] - np.arange(60))
    inverse = np.linalg.inv(flicker_acf(60, 1.1)[lag] + 1e-9 * np.eye(60))
    course = np.r_[np.zeros(30), np.ones(30)]
    filtered = (inverse @ course) @ frames.reshape(60, -1) / np.sqrt(course @ inverse @ course)
    assert np.std(filtered) == pytest.approx(1.0, abs=0.04)  # 3 sigma of 3000 draws


def test_heat_at_rest_balances_and_begins_with_the_bodys_own_capacity() -> None:
    """All power leaves through the films at rest; the first rise is power over heat capacity."""
    rng = np.random.default_rng(5)
    layout = draw_layout(width_mm=24, height_mm=18, rng=rng)
    network = build_network(layout, rng=rng, cell_mm=1.0)
    body = network.body(layout.on_rail(layout.rails[0])[0].ref)
    load = np.zeros((len(network.capacity), 1))
    load[body.first] = 1.0
    modes = solve_modes(network, load)[0]
    rest = modes.response(np.array([1e6]), [(0.0, 1.0)])[0] @ modes.fields
    assert np.sum(network.conductance @ rest) == pytest.approx(1.0, rel=1e-9)
    assert rest.min() > 0
    early = modes.response(np.array([1e-5]), [(0.0, 1.0)])[0] @ modes.fields
    assert early[body.first] == pytest.approx(1e-5 / network.capacity[body.first], rel=0.05)


def test_same_seed_same_case_and_other_seed_another() -> None:
    first, again, other = (build_case("two_shorts", s, small=True) for s in (4, 4, 5))
    assert np.array_equal(first.celsius, again.celsius)
    assert json.dumps(first.truth, default=float) == json.dumps(again.truth, default=float)
    assert first.truth["power_w"] != other.truth["power_w"]


@pytest.mark.parametrize("name", sorted(KINDS))
def test_every_kind_can_be_read(name: str, tmp_path: Path) -> None:
    case = build_case(name, 11, small=True)
    write_case(case, tmp_path / "case", photo_width_px=300)
    recording = load_recording(tmp_path / "case" / "recording")
    frames = np.concatenate(list(recording.source.chunks(64)))
    assert frames.shape[:3] == case.celsius.shape
    board = load_board(tmp_path / "case" / "board")
    truth = json.loads((tmp_path / "case" / "truth.json").read_text())
    assert {p.ref for p in board.parts} >= set(truth["faulty"])
    assert truth["cold"] == (not truth["faulty"])
    assert (recording.injection is not None) == truth["switching"]["logged"]
    assert (len(recording.landmarks) > 0) == KINDS[name].landmarks
    for x, y in truth["source_thermal_px"]:
        assert -0.5 < x < case.view.width - 0.5
        assert -0.5 < y < case.view.height - 0.5


TRUTH = {
    "kind": "easy", "seed": 1, "cold": False, "faulty": ["C1"], "source_thermal_px": [[10.0, 5.0]],
    "source_thermal_px_after_bump": None,
    "oracle": {"snr": 20.0, "right_probability": 1.0, "crb_px": 0.2},
}  # fmt: skip
ANSWER = {
    "verdict": "hot spot", "false_alarm_probability": 0.0, "frames": {"total": 100},
    "suspects": [{"ref": "C2", "probability": 0.2, "spot": 0},
                 {"ref": "C1", "probability": 0.7, "spot": 0}],
    "spots": [{"thermal_xy_px": [10.3, 5.4], "thermal_cov_px2": [[0.04, 0], [0, 0.04]],
               "role": "fault"}],
    "registration": {"method": "landmarks"}, "injection": {"source": "log"},
}  # fmt: skip


def test_marks_of_a_right_answer() -> None:
    marks = score.mark(TRUTH, ANSWER)
    assert marks["right"]
    assert marks["top"] == "C1"
    assert marks["error_px"] == pytest.approx(0.5)
    assert marks["error_over_bound"] == pytest.approx(2.5)
    assert marks["inside_95"] is False  # 0.25 / 0.04 = 6.25 > 5.991
    assert "1/1 shorts right" in score.table([marks | {"ms_a_frame": 1.0}])


@pytest.mark.parametrize(
    ("verdict", "suspects", "right"),
    [
        ("no hot spot", [], True),
        ("hot spot", [], False),
        ("cannot tell", [{"ref": "C2", "probability": 0.6, "spot": 0}], False),
        ("cannot tell", [{"ref": "C2", "probability": 0.4, "spot": 0}], True),
    ],
)
def test_marks_of_cold_recordings(verdict: str, suspects: list, right: bool) -> None:
    truth = TRUTH | {"cold": True, "faulty": [], "oracle": None}
    answer = ANSWER | {"verdict": verdict, "suspects": suspects, "spots": []}
    assert score.mark(truth, answer)["right"] is right


def test_a_failed_run_is_wrong() -> None:
    marks = score.mark(TRUTH, None)
    assert not marks["right"]
    assert marks["verdict"] == "error"
