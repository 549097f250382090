"""Strong heat on a display is looked at plainly, and a hand in the metal is not taken for it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from hotspot.doubts import Mirrored
from hotspot.find import find
from hotspot.finding import HOT_SPOT, NO_HOT_SPOT, Finding
from hotspot.frame import ArraySource, Recording
from hotspot.look import is_mirrored, mirrored_share
from hotspot.practice import Switching as Bench
from hotspot.practice import WarmHand, build_scene, simulate_recording
from hotspot.profile import Values
from hotspot.reasons import MIRRORED
from tests.heat.test_audit_display import painted
from tests.line.test_find import CAMERA, demo_board

ROWS, COLS = 90, 120
# How fast the automatic gain follows, and the share of pixels its ends leave out, per cent.
FOLLOWS, LEFT_OUT = 0.15, (0.5, 99.0)


def with_automatic_gain(recording: Recording, *, name: str | None = None) -> Recording:
    """The recording as a display paints it: ends follow the picture slowly, what is beyond is cut.

    In false colours where a map's `name` is given.
    """
    frames = np.concatenate(list(recording.source.chunks(64))).astype(np.float64)
    ends: np.ndarray | None = None
    levels = np.empty(frames.shape, dtype=int)
    for k, frame in enumerate(frames):
        now = np.percentile(frame, LEFT_OUT)
        ends = now if ends is None else ends + FOLLOWS * (now - ends)
        levels[k] = np.clip(np.rint(255 * (frame - ends[0]) / (ends[1] - ends[0])), 0, 255)
    values = Values.GREY8 if name is None else Values.PALETTE8
    profile = replace(
        recording.profile, values=values, scale=None, offset=0.0, frame_rate_hz=None
    )  # fmt: skip
    shown = levels.astype(np.uint8) if name is None else painted(levels, name)
    return replace(recording, profile=profile, source=ArraySource(shown))


@cache
def made(fault: str | None, *, amps: float, logged: bool, hand: bool = False) -> Recording:
    passing = WarmHand(
        temperature_c=34.0, from_s=8.0, to_s=20.0, start_px=(30, 30), end_px=(70, 60), size_px=18.0
    )
    scene = build_scene(
        demo_board(), rail="3V3", fault=fault, short_ohm=0.12,
        camera=replace(CAMERA, width=COLS, height=ROWS), hands=(passing,) if hand else (),
    )  # fmt: skip
    bench = Bench(edges_s=(6.0, 11.0, 15.0, 19.0), volts=1.0, amps=amps, logged=logged)
    rng = np.random.default_rng(3)
    return simulate_recording(scene, bench, duration_s=24.0, rng=rng).recording


def found(recording: Recording) -> Finding:
    return find(recording, board=demo_board())


@pytest.mark.parametrize("logged", [True, False])
@pytest.mark.parametrize("name", [None, "sea to rose"])
def test_the_part_that_burns_at_the_top_of_the_scale_is_named(
    logged: bool, name: str | None
) -> None:
    """Fitted as other heat is, a part beside it had 0.96, and without a log nothing was seen."""
    finding = found(with_automatic_gain(made("C18", amps=1.5, logged=logged), name=name))
    assert finding.verdict == HOT_SPOT
    assert finding.suspects[0].ref == "C18"
    assert finding.suspects[0].probability > 0.8
    assert finding.switching.onset_s == pytest.approx(6.0, abs=0.6)


@pytest.mark.parametrize("logged", [True, False])
@pytest.mark.parametrize("hand", [True, False])
def test_nothing_shorted_is_not_named_on_a_display_either(logged: bool, hand: bool) -> None:
    finding = found(with_automatic_gain(made(None, amps=1.5, logged=logged, hand=hand)))
    assert finding.verdict != HOT_SPOT
    assert not finding.suspects
    if not hand:
        assert finding.verdict == NO_HOT_SPOT


def pads() -> np.ndarray:
    """Emissivity of a board with pads of bare metal every ten pixels."""
    shown = np.ones((ROWS, COLS), dtype=np.float32)
    for row in range(5, ROWS - 5, 10):
        for column in range(5, COLS - 5, 10):
            shown[row : row + 3, column : column + 3] = 0.15
    return shown


def around(x: float, y: float) -> np.ndarray:
    rows, cols = np.mgrid[:ROWS, :COLS]
    return np.hypot(cols - x, rows - y)


ALL = np.ones((ROWS, COLS), dtype=bool)


def test_heat_is_dark_in_metal_and_a_hand_is_bright_there() -> None:
    """Kirchhoff: what shows a share e of its own radiation mirrors 1 - e (any handbook)."""
    shown = pads()
    far = around(50, 50)  # between pads
    source = np.where(far < 3, 10.0, 10.0 * np.maximum(1 - np.log(far / 3 + 1e-9) / 3, 0))
    heat = (shown * source).astype(np.float32)
    assert mirrored_share(heat, emissivity=shown, usable=ALL, row=50, column=50) < -0.1
    assert not is_mirrored(heat, emissivity=shown, usable=ALL)
    hand = ((1 - shown) * 8.0 * np.exp(-0.5 * (far / 20) ** 2)).astype(np.float32)
    assert is_mirrored(hand, emissivity=shown, usable=ALL)
    assert mirrored_share(hand, emissivity=shown, usable=ALL, row=46, column=46) > 0.3


def test_a_single_piece_of_metal_that_brightens_is_mirrored() -> None:
    """A connector that mirrors a hand while the board around it stays as it was."""
    shown = np.ones((ROWS, COLS), dtype=np.float32)
    shown[40:52, 20:26] = 0.15
    glow = np.where(shown < 1, 5.0, 0.1).astype(np.float32)
    assert is_mirrored(glow, emissivity=shown, usable=ALL)


def test_without_metal_nothing_tells_heat_from_a_mirrored_hand() -> None:
    heat = np.exp(-0.5 * (around(50, 50) / 3) ** 2).astype(np.float32)
    assert is_mirrored(heat, emissivity=np.ones_like(heat), usable=ALL)


def test_where_two_far_places_brighten_plainly_none_is_named() -> None:
    """Without a time course to go by, two pads under a hand are as strong as any heat."""
    signs = Mirrored(equals=2, restless=0, snr=900.0, plain=True)
    assert signs.doubt(logged=True, moved=False, best=0.95) == MIRRORED
    alone = replace(signs, equals=1)
    assert alone.doubt(logged=True, moved=False, best=0.95) is None
    fitted = replace(signs, plain=False)
    assert fitted.doubt(logged=True, moved=False, best=0.95) is None
