"""A second look is taken where the first is not clear, and makes nothing of nothing."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from hotspot.find import find
from hotspot.finding import CANNOT_TELL, HOT_SPOT, NO_HOT_SPOT, Finding, Spot, Suspect
from hotspot.frame import ArraySource, Recording
from hotspot.heat.heatmap import FrameCounts, Switching
from hotspot.heat.mirror import Mirror
from hotspot.line import Line
from hotspot.practice import Switching as Bench
from hotspot.practice import WarmHand, build_scene, simulate_recording
from hotspot.profile import Values
from hotspot.second_looks import (
    BESIDE_METAL_WARNING,
    CLEAR,
    TURNED_WARNING,
    Progress,
    Told,
    told_clearly,
)
from tests.line.test_find import CAMERA, demo_board
from tests.line.test_switched import line_of


def display_video(recording: Recording, *, turned: bool) -> Recording:
    """The recording as grey levels of a display, which may show warm things dark."""
    frames = np.concatenate(list(recording.source.chunks(64))).astype(np.float64)
    low, high = np.quantile(frames, [0.001, 0.999])
    levels = 20 + 210 * (frames - low) / (high - low)
    levels = np.clip(np.round(255 - levels if turned else levels), 0, 255).astype(np.uint8)
    profile = replace(
        recording.profile, values=Values.GREY8, scale=None, offset=0.0, frame_rate_hz=None
    )
    return replace(recording, profile=profile, source=ArraySource(levels))


@cache
def small(
    fault: str | None = "C18", *, logged: bool = True, seed: int = 7, hand: bool = False
) -> Recording:
    """A small camera over the demonstration board; a warm hand passes where one is asked for."""
    passing = WarmHand(
        temperature_c=34.0, from_s=10.0, to_s=13.0, start_px=(10, 12), end_px=(60, 40), size_px=12.0
    )
    scene = build_scene(
        demo_board(), rail="3V3", fault=fault, short_ohm=0.12,
        camera=replace(CAMERA, width=80, height=60), hands=(passing,) if hand else (),
    )  # fmt: skip
    made = simulate_recording(
        scene,
        Bench(edges_s=(6.0,), volts=1.0, amps=0.5, logged=logged),
        duration_s=18.0,
        rng=np.random.default_rng(seed),
    )
    return made.recording


def test_a_display_that_shows_warm_things_dark_is_turned_over_with_a_warning() -> None:
    made = small()
    usual = find(display_video(made, turned=False), board=demo_board())
    turned = find(display_video(made, turned=True), board=demo_board())
    for finding in (usual, turned):
        assert finding.verdict == HOT_SPOT
        assert finding.suspects[0].ref == "C18"
        assert finding.suspects[0].probability > CLEAR
    assert TURNED_WARNING in turned.warnings
    assert TURNED_WARNING not in usual.warnings
    np.testing.assert_allclose(turned.spots[0].xy_px, usual.spots[0].xy_px, atol=0.1)


@pytest.mark.parametrize("logged", [True, False])
def test_a_cold_video_is_not_named_by_looking_twice(logged: bool) -> None:
    made = small(None, seed=1, logged=logged)
    finding = find(display_video(made, turned=False), board=demo_board())
    assert finding.verdict != HOT_SPOT
    assert finding.suspects == ()


def test_what_cools_in_step_is_no_short_to_a_radiometric_camera() -> None:
    """Its numbers say which end is warm: only a display is looked at the other way round."""
    made = small()
    frames = np.concatenate(list(made.source.chunks(64)))
    over = (int(frames.max()) + int(frames.min())) - frames.astype(np.int64)
    cooling = replace(made, source=ArraySource(over.astype(np.uint16)))
    finding = find(cooling, board=demo_board())
    assert finding.verdict != HOT_SPOT
    assert TURNED_WARNING not in finding.warnings


def quietly(share: float, what: str) -> None:
    """Progress that nobody watches."""


class Looks:
    """Findings told one after another, and what each look was given."""

    def __init__(
        self,
        *told: tuple[str, float, float],
        mirror: Mirror | None = None,
        beside_heat: bool = False,
    ) -> None:
        self._told, self._mirror, self._beside_heat = list(told), mirror, beside_heat
        self.given: list[Line] = []

    def __call__(self, line: Line, say: Progress) -> Told:
        say(0.5 + 0.1 * len(self._told), "looking")
        self.given.append(line)
        verdict, probability, snr = self._told.pop(0)
        spot = Spot(xy_px=np.zeros(2), cov_px2=np.eye(2), snr=snr, peak_k=1.0)
        name = f"look {len(self.given)}"
        suspects = (Suspect(name, probability, 0, ""),) if probability else ()
        finding = Finding(
            verdict=verdict,
            false_alarm_probability=0.01,
            spots=(spot,) if snr else (),
            suspects=suspects,
            registration=line.registration,
            switching=Switching(source="none"),
            frames=FrameCounts(1, 1, 0, 0, 0),
            heat=None,  # type: ignore[arg-type]
        )
        return Told(finding, line=line, mirror=self._mirror, beside_heat=self._beside_heat)


@pytest.fixture(scope="module")
def grey() -> Line:
    return line_of(display_video(small(), turned=False), demo_board())


@pytest.fixture(scope="module")
def kelvins() -> Line:
    return line_of(small(), demo_board())


CLEARLY, UNSURE, NOTHING = (HOT_SPOT, 0.97, 20.0), (HOT_SPOT, 0.6, 8.0), (NO_HOT_SPOT, 0.0, 0.0)


def test_nothing_is_ruled_out_where_a_look_beside_what_moves_sees_something(kelvins: Line) -> None:
    shape = kelvins.calm_bins.bad.shape
    mirror = Mirror(strength=np.zeros(shape, np.float32), lively=True)
    for second, verdict in (
        ((CANNOT_TELL, 0.0, 9.0), CANNOT_TELL),
        (NOTHING, NO_HOT_SPOT),
    ):
        looks = Looks(NOTHING, second, mirror=mirror)
        assert told_clearly(kelvins, looks, say=quietly).verdict == verdict


def test_a_clear_first_look_is_the_only_one(grey: Line) -> None:
    looks = Looks(CLEARLY)
    assert told_clearly(grey, looks, say=quietly).suspects[0].ref == "look 1"
    assert len(looks.given) == 1


def test_progress_does_not_run_back(grey: Line) -> None:
    said: list[float] = []
    told_clearly(grey, Looks(NOTHING, NOTHING), say=lambda share, what: said.append(share))
    assert said == [0.7, 0.7]


def test_kelvins_are_looked_at_once(kelvins: Line) -> None:
    looks = Looks(UNSURE)
    assert told_clearly(kelvins, looks, say=quietly).suspects[0].ref == "look 1"
    assert len(looks.given) == 1


def test_only_a_clear_second_look_counts(grey: Line) -> None:
    for first, second, names in (
        (NOTHING, CLEARLY, "look 2"),
        (UNSURE, CLEARLY, "look 2"),
        (UNSURE, UNSURE, "look 1"),
        # The first saw more, if less surely on one part.
        ((HOT_SPOT, 0.6, 40.0), CLEARLY, "look 1"),
    ):
        looks = Looks(first, second)
        found = told_clearly(grey, looks, say=quietly)
        assert found.suspects[0].ref == names
        assert (TURNED_WARNING in found.warnings) == (names == "look 2")
    looks = Looks(NOTHING, UNSURE)
    assert told_clearly(grey, looks, say=quietly).verdict == NO_HOT_SPOT


def test_the_second_look_sees_the_first_turned_over(grey: Line) -> None:
    looks = Looks(NOTHING, NOTHING)
    told_clearly(grey, looks, say=quietly)
    first, second = (line.calm_bins.bins for line in looks.given)
    np.testing.assert_array_equal(second.values, -first.values)
    np.testing.assert_array_equal(looks.given[1].cold, -looks.given[0].cold)


def a_mirror(line: Line, *, top: int) -> Mirror:
    strength = np.zeros(line.cold.shape, np.float32)
    strength[top : top + 4, 20:26] = 1.0
    return Mirror(strength=strength, lively=True)


@pytest.mark.parametrize("second", [CLEARLY, UNSURE])
def test_beside_the_metal_in_which_a_hand_is_mirrored_is_looked_at_again(
    kelvins: Line, second: tuple[str, float, float]
) -> None:
    looks = Looks((CANNOT_TELL, 0.0, 0.0), second, mirror=a_mirror(kelvins, top=10))
    found = told_clearly(kelvins, looks, say=quietly)
    assert len(looks.given) == 2
    beside = looks.given[1]
    assert beside.moving
    # The metal and a pixel around it say nothing any more; the first look keeps what it had.
    assert beside.calm_bins.bad[9:15, 19:27].all()
    assert not kelvins.calm_bins.bad[9:15, 19:27].all()
    if second is CLEARLY:
        assert found.suspects[0].ref == "look 2"
        assert found.warnings == (BESIDE_METAL_WARNING,)
    else:
        assert found.verdict == CANNOT_TELL
        assert BESIDE_METAL_WARNING not in found.warnings


@pytest.mark.parametrize("second", [CLEARLY, UNSURE])
def test_strong_heat_that_tells_no_part_is_looked_at_again_as_beside_a_hand(
    kelvins: Line, second: tuple[str, float, float]
) -> None:
    looks = Looks((CANNOT_TELL, 0.0, 0.0), second, beside_heat=True)
    found = told_clearly(kelvins, looks, say=quietly)
    assert [line.doubted for line in looks.given] == [False, True]
    assert found.verdict == (HOT_SPOT if second is CLEARLY else CANNOT_TELL)
    clear = Looks(CLEARLY, beside_heat=True)
    told_clearly(kelvins, clear, say=quietly)
    assert len(clear.given) == 1


def test_without_a_part_map_nothing_is_looked_for_beside_the_metal(kelvins: Line) -> None:
    unmapped = replace(kelvins, board=None, places=(), priors=())
    looks = Looks((CANNOT_TELL, 0.0, 0.0), mirror=a_mirror(kelvins, top=10))
    assert told_clearly(unmapped, looks, say=quietly).verdict == CANNOT_TELL
    assert len(looks.given) == 1


def test_a_short_beside_a_passing_hand_is_named_and_a_hand_alone_is_not() -> None:
    short = find(small("C18", hand=True), board=demo_board())
    assert short.verdict == HOT_SPOT
    assert short.suspects[0].ref == "C18"
    for logged in (True, False):
        alone = find(small(None, hand=True, logged=logged), board=demo_board())
        assert alone.verdict != HOT_SPOT
        assert alone.suspects == ()


def test_a_strong_short_is_named_though_a_hand_comes_and_stays() -> None:
    """It is there for more than half of the injection, and brighter than the heat of the short."""
    hand = WarmHand(
        temperature_c=36.0, from_s=14.0, to_s=60.0, start_px=(20, 12), end_px=(60, 40), size_px=16.0
    )
    for fault in ("C18", None):
        scene = build_scene(
            demo_board(), rail="3V3", fault=fault, short_ohm=0.12, camera=CAMERA, hands=(hand,)
        )
        made = simulate_recording(
            scene,
            Bench(edges_s=(6.0,), volts=1.0, amps=1.0, logged=True),
            duration_s=26.0,
            rng=np.random.default_rng(3),
        )
        finding = find(made.recording, board=demo_board())
        assert (finding.verdict == HOT_SPOT) == (fault is not None)
        if fault is not None:
            assert finding.suspects[0].ref == fault
            assert any("left out" in warning for warning in finding.warnings)
