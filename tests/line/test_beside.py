"""What lies beside the board is not searched, unless it is surely heat."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.beside import BEYOND_PX, SURELY_HEAT, WARNING, find_beside, on_the_board
from hotspot.find import find
from hotspot.finding import HOT_SPOT
from hotspot.frame import ArraySource, Recording
from hotspot.heat.outline import share_inside
from hotspot.locate.separate import Describer
from hotspot.register.registration import PlaneMap, Registration
from hotspot.spotting import FALSE_ALARM_LIMIT
from tests.line.test_find import demo_board, simulated
from tests.line.test_switched import line_of
from tests.locate.white_field import gaussian, scored, white_field

SHAPE = (60, 80)
# A board of 50 x 35 px in the middle of the picture, a millimetre a pixel.
CORNERS_PX = np.array([[15.0, 12.0], [65.0, 12.0], [65.0, 47.0], [15.0, 47.0]])
ON, OFF = (40, 30), (6, 6)
ONSET_S = 6.0


def registered(sigma_px: float) -> Registration:
    """The board's mm are the picture's px; a shift of either coordinate is uncertain."""
    cov = np.zeros((8, 8))
    cov[2, 2] = cov[5, 5] = sigma_px**2
    return Registration(board_from_thermal=PlaneMap(matrix=np.eye(3), parameter_cov=cov))


@pytest.mark.parametrize("sigma_px", [0.1, 1.0])
def test_beside_begins_where_the_board_may_no_longer_be(sigma_px: float) -> None:
    registration = registered(sigma_px)
    beside = find_beside(CORNERS_PX, registration=registration, shape=SHAPE)
    assert beside is not None
    sigma = float(np.hypot(sigma_px, registration.least_sigma_px))
    reach = int(np.ceil(BEYOND_PX + 3 * sigma))
    on_board = np.flatnonzero(~beside[30])
    assert on_board[0] == pytest.approx(15 - reach, abs=1)
    assert on_board[-1] == pytest.approx(65 + reach, abs=1)
    assert np.all(np.diff(on_board) == 1)


def test_where_nobody_knows_nothing_is_beside() -> None:
    assert find_beside(None, registration=registered(0.1), shape=SHAPE) is None
    assert find_beside(CORNERS_PX, registration=Registration(), shape=SHAPE) is None
    # A board that fills the picture, and one that is nowhere in it.
    wide = np.array([[-20.0, -20.0], [100.0, -20.0], [100.0, 80.0], [-20.0, 80.0]])
    for corners in (wide, wide + 400):
        assert find_beside(corners, registration=registered(0.1), shape=SHAPE) is None


def looked_at(on: float, off: float) -> tuple[bool, tuple[int, int] | None, bool]:
    rng = np.random.default_rng(5)
    picture = rng.standard_normal(SHAPE)
    picture = picture + on * gaussian(SHAPE, ON, 1.5) + off * gaussian(SHAPE, OFF, 1.5)
    field = white_field(picture[None])
    beside = find_beside(CORNERS_PX, registration=registered(0.1), shape=SHAPE)
    narrowed, found, left = on_the_board(
        field, scored(field, sigma_px=1.5), beside=beside, limit=2e-4, trials=1.0
    )
    at = None if found is None else tuple(round(float(v)) for v in found.centre.xy_px)
    return narrowed.beside is not None, at, left


def test_a_stronger_spot_beside_the_board_is_left_out_and_said() -> None:
    # A spot of sigma 1.5 has a matched-filter SNR of 2.66 times its height.
    assert looked_at(on=5.0, off=8.0) == (True, ON, True)
    assert looked_at(on=0.0, off=8.0) == (True, None, True)
    assert looked_at(on=8.0, off=5.0) == (True, ON, False)
    assert looked_at(on=0.0, off=0.0) == (True, None, False)


def test_what_is_surely_heat_is_looked_at_wherever_it_is() -> None:
    """The board may not lie where it is thought to."""
    strong = 1.5 * SURELY_HEAT / 2.66
    assert looked_at(on=5.0, off=strong) == (False, OFF, False)
    # Strong heat on the board says that it does.
    assert looked_at(on=2 * strong, off=strong) == (True, ON, False)


BENCH_PX, LEAD = 20, np.array([8.0, 9.0])


def with_lead(recording: Recording, *, rise_k: float) -> Recording:
    """The board on a bench wider than it, and on the bench a lead that warms with the injection."""
    frames = np.concatenate(list(recording.source.chunks(64))).astype(np.float64)
    # The camera drifts over the bench as it does over the board.
    level = np.median(frames, axis=(1, 2), keepdims=True)
    around = ((0, 0), (BENCH_PX, BENCH_PX), (BENCH_PX, BENCH_PX))
    wide = np.pad(frames - level, around) + level
    profile, noise = recording.profile, float(np.diff(frames, axis=0).std()) / np.sqrt(2)
    inside = np.pad(np.ones(frames.shape[1:], bool), BENCH_PX)
    wide[:, ~inside] += np.random.default_rng(8).normal(0, noise, (len(wide), (~inside).sum()))
    y, x = np.mgrid[: wide.shape[1], : wide.shape[2]]
    lead = np.exp(-0.5 * ((x - LEAD[0]) ** 2 + (y - LEAD[1]) ** 2) / 2.0**2)
    course = 1 - np.exp(-np.maximum(recording.t_s - ONSET_S, 0.0) / 3.0)
    wide += (rise_k / profile.scale * course)[:, None, None] * lead
    landmarks = recording.landmarks.copy()
    landmarks[:, :2] += BENCH_PX
    return replace(
        recording,
        source=ArraySource(np.round(wide).astype(np.uint16)),
        profile=replace(profile, width=wide.shape[2], height=wide.shape[1]),
        landmarks=landmarks,
    )


def test_a_warm_lead_beside_the_board_neither_hides_a_short_nor_is_one() -> None:
    board = demo_board()
    weak = with_lead(simulated("C18", amps=0.12, duration_s=30.0).recording, rise_k=0.1)
    short = find(weak, board=board)
    assert short.verdict == HOT_SPOT
    assert short.suspects[0].ref == "C18"
    assert len(short.spots) == 1
    assert WARNING in short.warnings
    cold = with_lead(simulated(None, duration_s=30.0).recording, rise_k=0.1)
    nothing = find(cold, board=board)
    assert nothing.verdict != HOT_SPOT
    assert nothing.false_alarm_probability > FALSE_ALARM_LIMIT
    assert all(np.hypot(*(s.xy_px - LEAD)) > 5.0 for s in nothing.spots)
    assert WARNING in nothing.warnings
    # Without a part map nobody knows where the board ends: it is a spot like any other.
    unmapped = find(cold)
    assert any(np.hypot(*(s.xy_px - LEAD)) < 1.5 for s in unmapped.spots)


def test_heat_in_the_board_ends_at_its_edge() -> None:
    """Wide heat near an edge is described with that edge in it, and leaves no rim of spots."""
    recording = simulated("C18").recording
    line = line_of(recording, demo_board())
    board = share_inside(CORNERS_PX, shape=line.cold.shape)
    near = replace(line, on_board=board)
    assert near.shown is not None
    emissivity = 1.0 if line.emissivity is None else line.emissivity
    # Half of it at the edge, all of it inside, none beside; nobody knows: as without an edge.
    ratio = near.shown / emissivity
    assert ratio[30, 40] == pytest.approx(1.0, abs=1e-3)
    assert ratio[30, 15] == pytest.approx(0.5, abs=0.1)
    assert ratio[30, 8] == pytest.approx(0.0, abs=1e-3)
    assert replace(line, on_board=None).shown is line.emissivity
    rng = np.random.default_rng(5)
    y, x = np.mgrid[: line.cold.shape[0], : line.cold.shape[1]]
    spot = 80.0 * np.exp(-0.5 * ((x - 19.0) ** 2 + (y - 30.0) ** 2) / 6.0**2)
    field = white_field((spot * near.shown + rng.standard_normal(spot.shape))[None])
    left = {}
    for known, shown in ((True, near.shown), (False, line.emissivity)):
        describer = Describer(bad=field.bad, sigma_px=line.sigma_px, emissivity=shown)
        described = describer.describe(field, centres=(np.array([19.0, 30.0]),))
        left[known] = float((field.maps[0] - described[0].maps[0])[15:45, 10:40].std())
    assert left[True] < 1.1 < 2.0 < left[False]
