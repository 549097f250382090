"""Display video: automatic gain undone, false colours put back in order."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from hotspot.frame import ArraySource, Recording
from hotspot.heat.audit import FrameAudit, audit_frames
from hotspot.heat.palette import PaletteReader, find_palette
from hotspot.heat.values import value_converter
from hotspot.profile import CameraProfile, Values

ROWS, COLS = 72, 100


def scene() -> np.ndarray:
    """Levels 40 to 220 with ramps, edges and a spot."""
    y, x = np.mgrid[:ROWS, :COLS]
    picture = 40 + 120 * x / COLS + 60 * np.exp(-((x - 52) ** 2 + (y - 30) ** 2) / 300)
    picture[50:64, 10:30] += 25
    return picture


def audit(frames: np.ndarray, values: Values) -> FrameAudit:
    profile = CameraProfile("display video", COLS, ROWS, values=values)
    recording = Recording("made here", profile, np.arange(len(frames)) / 25, ArraySource(frames))
    return audit_frames(recording, to_values=value_converter(recording))


# Maps of nobody's: straight lines through these colours. The second and third turn back in
# brightness, the last two bend where another of their stretches is near.
UNCOMMON = {
    "tar to straw": [(10, 4, 0), (70, 0, 60), (150, 50, 40), (205, 130, 60), (245, 235, 190)],
    "sea to rose": [(5, 0, 70), (0, 150, 190), (40, 200, 70), (215, 215, 30), (245, 110, 20),
                    (225, 20, 40), (255, 225, 240)],
    "moss": [(20, 10, 30), (20, 110, 90), (190, 190, 70), (170, 60, 40), (255, 250, 240)],
    "two blues": [(0, 0, 0), (20, 40, 160), (120, 90, 130), (90, 190, 240), (250, 255, 250)],
    "brick": [(30, 30, 30), (150, 30, 20), (60, 90, 140), (240, 160, 60), (255, 255, 220)],
}  # fmt: skip


def painted(levels: np.ndarray, name: str) -> np.ndarray:
    if name in UNCOMMON:
        through = np.array(UNCOMMON[name], dtype=float)
        at = np.linspace(0, len(through) - 1, 256)
        table = np.stack([np.interp(at, np.arange(len(through)), c) for c in through.T], axis=1)
        return np.round(table).astype(np.uint8)[levels]
    import matplotlib as mpl

    table = np.round(mpl.colormaps[name](np.arange(256))[:, :3] * 255).astype(np.uint8)
    return table[levels]


def subsampled(rgb: np.ndarray) -> np.ndarray:
    """Through 4:2:0 and back, as video does with colour."""
    return np.stack(
        [cv2.cvtColor(cv2.cvtColor(f, cv2.COLOR_RGB2YUV_I420), cv2.COLOR_YUV2RGB_I420) for f in rgb]
    )


def test_a_per_frame_gain_is_measured_although_a_part_warms() -> None:
    rng = np.random.default_rng(11)
    y, x = np.mgrid[:ROWS, :COLS]
    spot = np.exp(-((x - 70) ** 2 + (y - 20) ** 2) / (2 * 3.0**2))
    course = np.clip(1 - np.exp(-(np.arange(200) - 60) / 25), 0, None)
    true = scene()[None] + 60 * course[:, None, None] * spot + rng.normal(0, 1.0, (200, ROWS, COLS))
    gain = 0.8 + 0.1 * np.sin(np.arange(200) / 15)
    offset = 10 * np.cos(np.arange(200) / 22)
    frames = np.clip(np.round(gain[:, None, None] * true + offset[:, None, None]), 0, 255)
    found = audit(frames.astype(np.uint8), Values.GREY8)
    ratio = found.gain / (gain / gain[0])
    # Noise of 1 level, contrast of 38, 7200 pixels: least squares without any heat has 3.1e-4.
    assert np.std(ratio[1:60]) < 4.5e-4
    np.testing.assert_allclose(ratio, 1, atol=0.003)
    shift = offset - offset[0] * gain / gain[0]
    np.testing.assert_allclose(found.offset, shift, atol=0.4)
    assert found.used.all()
    assert found.bumps == ()
    assert not found.bad.any()


def test_a_steady_gain_is_reported_as_exactly_one() -> None:
    rng = np.random.default_rng(12)
    frames = np.round(scene() + rng.normal(0, 0.6, (120, ROWS, COLS))).astype(np.uint8)
    found = audit(frames, Values.GREY8)
    assert (found.gain == 1).all()
    assert (found.offset == 0).all()


def test_a_frozen_display_under_automatic_gain_is_a_shutter_event() -> None:
    rng = np.random.default_rng(13)
    frames = np.round(scene() + rng.normal(0, 1.0, (150, ROWS, COLS))).astype(np.uint8)
    frames[60:75] = frames[59]
    found = audit(frames, Values.GREY8)
    assert np.array_equal(np.flatnonzero(found.shutter), np.arange(60, 75))


@pytest.mark.parametrize(
    "name",
    ["inferno", "plasma", "viridis", "turbo", "magma", "cividis", "gray", "jet", "gnuplot",
     "gnuplot2", "gist_heat", "afmhot", "CMRmap", "copper", "cubehelix", "nipy_spectral",
     "rainbow", "coolwarm"],
)  # fmt: skip
@pytest.mark.parametrize("through", ["exact", "4:2:0"])
def test_common_maps_of_a_general_library_are_named_and_undone(name: str, through: str) -> None:
    rng = np.random.default_rng(14)
    levels = np.clip(np.round(scene() + rng.normal(0, 1.5, (4, ROWS, COLS))), 0, 255).astype(int)
    rgb = painted(levels, name)
    rgb = rgb if through == "exact" else subsampled(rgb)
    palette = find_palette(rgb)
    # Some are in both libraries.
    assert palette.name.removesuffix(" (OpenCV)").replace("grey", "gray") == name.lower()
    values = PaletteReader(palette)(rgb)
    assert values.dtype == np.float32
    # Jet's tables differ by up to 3 levels between libraries; the others are the same to rounding.
    assert np.std(values - levels) < (3.5 if name == "jet" else 1.6)


@pytest.mark.parametrize("name", UNCOMMON)
@pytest.mark.parametrize("through", ["exact", "4:2:0"])
def test_unknown_maps_are_put_in_order_by_a_fitted_curve(name: str, through: str) -> None:
    rng = np.random.default_rng(15)
    levels = np.clip(np.round(scene() + rng.normal(0, 1.5, (4, ROWS, COLS))), 0, 255).astype(int)
    rgb = painted(levels, name)
    rgb = rgb if through == "exact" else subsampled(rgb)
    palette = find_palette(rgb)
    assert palette.name == "fitted"
    values = PaletteReader(palette)(rgb).ravel()
    ranks = [np.argsort(np.argsort(v)) for v in (values, levels.ravel())]
    assert abs(np.corrcoef(*ranks)[0, 1]) > 0.99


@pytest.mark.parametrize("name", UNCOMMON)
@pytest.mark.parametrize("seen", ["all", "every other"])
def test_levels_of_an_unknown_map_are_as_far_apart_as_the_display_had_them(
    name: str, seen: str
) -> None:
    """However much more the colour changes along one stretch of the map than along another.

    An automatic gain is only undone where levels are in proportion.
    """
    rng = np.random.default_rng(21)
    levels = np.clip(np.round(scene() + rng.normal(0, 1.5, (4, ROWS, COLS))), 0, 255).astype(int)
    if seen == "every other":
        # Among them one stretch that was never seen.
        levels = levels // 2 * 2
        levels[(levels > 90) & (levels < 100)] = 90
    rgb = painted(levels, name)
    values = PaletteReader(find_palette(rgb))(rgb).astype(np.float64)
    slope, offset = np.polyfit(levels.ravel(), values.ravel(), 1)
    off = (values - offset) / slope - levels
    # Moss bends so sharply that the order at its tip is told to a level or two.
    assert np.std(off) < (2.5 if name == "moss" or seen != "all" else 1.5)


def test_colours_without_an_order_fall_back_to_brightness() -> None:
    rgb = np.random.default_rng(16).integers(0, 256, (2, ROWS, COLS, 3)).astype(np.uint8)
    palette = find_palette(rgb)
    assert palette.name == "luminance"
    luma = rgb @ np.array([0.299, 0.587, 0.114])
    np.testing.assert_allclose(PaletteReader(palette)(rgb), luma, atol=0.01)
    assert "brightness" in palette.note


def test_the_audit_names_the_map_and_says_which_end_is_taken_as_warm() -> None:
    rng = np.random.default_rng(17)
    levels = np.round(scene() + rng.normal(0, 1.0, (60, ROWS, COLS))).astype(int)
    found = audit(painted(levels, "inferno"), Values.PALETTE8)
    assert found.used.all()
    assert any("inferno" in w and "taken as warm" in w for w in found.warnings)


def late_spot(rng: np.random.Generator) -> np.ndarray:
    """Levels (n, rows, cols): 20 to 150 of a cold board, and from frame 100 on a spot to 245."""
    frames = np.empty((240, ROWS, COLS))
    y, x = np.mgrid[:ROWS, :COLS]
    # Ten pixels: fewer than a thousandth of a frame.
    spot = np.exp(-((x - 70) ** 2 + (y - 20) ** 2) / (2 * 1.3**2))
    board = 20 + 130 * x / COLS
    for i, frame in enumerate(frames):
        warm = 150 * (1 - np.exp(-max(i - 100, 0) / 30))
        frame[:] = board + np.minimum(warm, 245 - board) * spot
    frames += rng.normal(0, 1.0, frames.shape)
    return np.clip(np.round(frames), 0, 250).astype(int)


@pytest.mark.parametrize("name", UNCOMMON)
def test_an_uncommon_map_is_read_to_its_warm_end_that_shows_late(name: str) -> None:
    levels = late_spot(np.random.default_rng(18))
    rgb = painted(levels, name)
    profile = CameraProfile("display video", COLS, ROWS, values=Values.PALETTE8)
    recording = Recording("made here", profile, np.arange(len(rgb)) / 25, ArraySource(rgb))
    to_values = value_converter(recording)
    assert isinstance(to_values, PaletteReader)
    assert to_values.palette.name == "fitted"
    values = to_values(rgb)
    # One value for each colour, colours in order (either way: which end is warm nobody knows), and
    # none of them cut off at the ends: a step between any two levels whose colours differ.
    present = np.intersect1d(levels[::6], np.arange(25, 245))
    assert present[-1] > 235
    of_level = np.array([values[levels == v].mean() for v in present])
    assert max(np.ptp(values[levels == v]) for v in present) < 1e-3
    steps = np.diff(of_level) * np.sign(of_level[-1] - of_level[0])
    table = painted(present, name).astype(int)
    differ = np.any(np.diff(table, axis=0) != 0, axis=1)
    # The tip of its sharp bend is told to a level or two.
    wrong, back = (0.02, 2.5) if name == "moss" else (0.0, 1e-3)
    assert np.mean(steps[differ] <= 0) <= wrong
    assert (steps > -back).all()


def test_colours_across_a_gap_are_put_beyond_an_end_of_the_map() -> None:
    """A dead pixel shows one dark colour, next to a stretch in the middle of those of the board."""
    rng = np.random.default_rng(19)
    levels = np.clip(np.round(150 + 0.4 * scene() + rng.normal(0, 1.0, (6, ROWS, COLS))), 0, 250)
    levels = levels.astype(int)
    levels[:, 40, 20] = 12
    rgb = painted(levels, "sea to rose")
    palette = find_palette(rgb)
    assert palette.name == "fitted"
    values = PaletteReader(palette)(rgb)
    board = levels > 12
    ranks = [np.argsort(np.argsort(v[board])) for v in (values, levels)]
    assert abs(np.corrcoef(*ranks)[0, 1]) > 0.999
    # Outside the board's own range, on either side.
    stray = values[~board]
    assert (stray < values[board].min()).all() or (stray > values[board].max()).all()


def test_a_map_that_lacks_the_colours_of_a_small_hot_spot_is_not_chosen() -> None:
    """The red-to-yellow stretch of "hot" is all of "autumn"; white is not on it."""
    rng = np.random.default_rng(20)
    levels = np.clip(np.round(100 + 0.25 * scene() + rng.normal(0, 1.0, (4, ROWS, COLS))), 0, 255)
    levels = levels.astype(int)
    levels[:, 20:26, 60:66] = np.arange(215, 251).reshape(6, 6)
    palette = find_palette(subsampled(painted(levels, "hot")))
    assert palette.name.removesuffix(" (OpenCV)") == "hot"


def test_a_map_fitted_to_cold_frames_alone_would_cut_off_the_heat() -> None:
    """Why frames from all through the recording are looked at."""
    levels = late_spot(np.random.default_rng(18))
    rgb = painted(levels, "tar to straw")
    first = PaletteReader(find_palette(rgb[:16]))(rgb[-1:])[0]
    assert np.std(first[levels[-1] > 200]) < 0.1
