"""The sheets: what is on them, where, and that nothing hides what matters."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.patches import FancyBboxPatch

from hotspot.errors import BoardError
from hotspot.evidence.backdrop import build_backdrop
from hotspot.evidence.figures import build_evidence_figure
from hotspot.evidence.heat_figure import build_heat_figure
from hotspot.evidence.overlay import build_layer, heat_colours, smooth_heat
from hotspot.evidence.paper import to_pixels
from hotspot.register.registration import PlaneMap, Registration
from tests.evidence import scene


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    return scene.make_board(tmp_path_factory.mktemp("board"))


@pytest.fixture(scope="module")
def finding(board):
    return scene.make_finding(board)


def holds(outer, inner) -> bool:
    return bool((inner.min >= outer.min - 1).all() and (inner.max <= outer.max + 1).all())


def texts(figure) -> str:
    inside = [t.get_text() for axes in figure.axes for t in axes.texts]
    return "\n".join(inside + [t.get_text() for t in figure.texts]).replace("\u00a0", " ")


def test_the_photo_carries_the_spot_at_the_part(board, finding):
    backdrop = build_backdrop(finding, board=board)
    part = board.part("C17")
    # The scene's photo has 20 px a mm and the whole of it is in the camera's view or cropped.
    middle = backdrop.outlines["C17"].mean(axis=0)
    spot = backdrop.place(finding.spots[0].xy_px)
    offset_mm = (spot - middle) / backdrop.px_per_mm
    assert backdrop.is_photo
    np.testing.assert_allclose(offset_mm, [0.15, 0.1], atol=0.01)  # y down in the picture
    widths = np.ptp(backdrop.outlines["C17"], axis=0) / backdrop.px_per_mm
    np.testing.assert_allclose(sorted(widths), sorted((part.width_mm, part.height_mm)), rtol=0.01)


def test_the_backdrop_shows_the_part_where_its_outline_lies(board, finding):
    backdrop = build_backdrop(finding, board=board)
    x, y = np.round(backdrop.outlines["J1"].mean(axis=0)).astype(int)
    x2, y2 = np.round(backdrop.outlines["U1"].mean(axis=0)).astype(int)
    assert backdrop.pixels[y, x].mean() > 200  # the pale connector
    assert backdrop.pixels[y2, x2].mean() < 60  # the black package


@pytest.mark.parametrize("size", [0.5, 1.7])
def test_the_mapping_survives_another_photo_size(board, finding, size):
    scaled = np.diag([size, size, 1.0])
    plane = finding.registration.photo_from_thermal
    other = replace(plane, matrix=scaled @ plane.matrix)
    moved = replace(finding.registration, photo_from_thermal=other)
    backdrop = build_backdrop(replace(finding, registration=moved), board=board)
    offset = backdrop.place(finding.spots[0].xy_px) - backdrop.outlines["C17"].mean(axis=0)
    np.testing.assert_allclose(offset / backdrop.px_per_mm, [0.15, 0.1], atol=0.01)


def test_without_a_registration_the_cold_picture_is_the_ground(board, finding):
    bare = replace(finding, registration=Registration())
    backdrop = build_backdrop(bare, board=board)
    assert not backdrop.is_photo
    assert backdrop.px_per_mm is None
    assert backdrop.outlines == {}
    # Pixel centres: thermal (0, 0) lies in the middle of the first enlarged pixel.
    n = backdrop.px_per_thermal
    np.testing.assert_allclose(backdrop.place(np.zeros(2)), [(n - 1) / 2] * 2)


def test_a_photo_that_is_no_picture_is_named(board, finding, tmp_path):
    bad = tmp_path / "photo.png"
    bad.write_bytes(b"\x89PNG\r\n\x1a\nnot really")
    with pytest.raises(BoardError, match=r"photo\.png: is not a readable PNG"):
        build_backdrop(finding, board=replace(board, photo=bad))


def test_colour_lies_where_the_heat_is_significant_and_leaves_parts_visible(board, finding):
    backdrop = build_backdrop(finding, board=board)
    shape = backdrop.pixels.shape[:2]
    layer = build_layer(
        finding.heat, picture_from_thermal=backdrop.picture_from_thermal, shape=shape
    )
    alpha = layer.rgba[..., 3]
    x, y = np.round(backdrop.place(finding.spots[0].xy_px)).astype(int)
    assert alpha[y, x] > 0.5
    assert alpha.max() < 0.75
    assert np.mean(alpha > 0.02) < 0.1
    peak = np.unravel_index(np.argmax(alpha * layer.rgba[..., 0]), alpha.shape)
    assert np.hypot(peak[1] - x, peak[0] - y) < 2.5 * backdrop.px_per_thermal


def test_noise_alone_gets_no_colour(board):
    quiet = scene.make_quiet_finding(board)
    layer = build_layer(
        quiet.heat, picture_from_thermal=PlaneMap(np.eye(3), np.zeros((8, 8))), shape=(120, 160)
    )
    assert not layer.lit
    assert layer.rgba[..., 3].max() == 0


def test_smoothed_noise_has_unit_spread():
    heat = scene.make_heat(spots=(), noise_k=0.02, trace=False)
    significance = smooth_heat(heat)[1]
    # White noise over its own error: spread 1 (19 200 pixels, about 1500 independent ones).
    assert significance[3:-3, 3:-3].std() == pytest.approx(1.0, abs=0.06)


def test_colours_rise_evenly_in_lightness():
    # Rec. 709 luma of the colours, from the sRGB standard (IEC 61966-2-1), monotonic and steady.
    rgb = heat_colours()(np.linspace(0, 1, 32))[:, :3]
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    luminance = linear @ [0.2126, 0.7152, 0.0722]
    lightness = 116 * np.cbrt(luminance) - 16  # CIE L*
    steps = np.diff(lightness)
    assert steps.min() > 0
    assert steps.max() < 2.0 * steps.mean()


def test_the_label_names_the_part_and_covers_neither_spot_nor_ring(board, finding):
    figure = build_evidence_figure(finding, scene.make_recording(), board=board)
    to_pixels(figure)
    main = figure.axes[0]
    (label,) = [p for p in main.patches if isinstance(p, FancyBboxPatch)]
    box = label.get_window_extent()
    backdrop = build_backdrop(finding, board=board)
    for spot in finding.spots:
        x, y = main.transData.transform(backdrop.place(spot.xy_px))
        nearest = np.clip([x, y], box.min, box.max)
        assert np.hypot(*(nearest - [x, y])) > 26
    assert holds(main.get_window_extent(), box)
    for text in main.texts[1:]:
        if "C17" in text.get_text() or "above cold" in text.get_text():
            assert holds(box, text.get_window_extent())


@pytest.mark.parametrize("corner", [(2, 2), (157, 2), (2, 117), (157, 117)])
def test_a_spot_in_the_corner_keeps_its_label_inside(board, finding, corner):
    spot = replace(finding.spots[0], xy_px=np.array(corner, float))
    bare = replace(finding, spots=(spot,), suspects=(), registration=Registration())
    figure = build_evidence_figure(bare, scene.make_recording())
    to_pixels(figure)
    main = figure.axes[0]
    (label,) = [p for p in main.patches if isinstance(p, FancyBboxPatch)]
    assert holds(main.get_window_extent(), label.get_window_extent())


def test_the_sheet_says_what_was_done(board, finding):
    said = texts(build_evidence_figure(finding, scene.make_recording(), board=board))
    for fact in (
        "C17, 91 % likely", "something else", "0.42 K above cold", "VSENSE", "Tide gauge", "10 mm",
        "861 of 900 frames used", "0.42 V and 1.50 A", "from the log", "current path",
        "residual 0.4 px", "rise above cold, K", "bench camera 1, 160 × 120", "22.5 °C",
        "2026-11-20",
    ):  # fmt: skip
        assert fact in said.replace("\n", " "), fact


def test_no_hot_spot_and_cannot_tell_say_so_and_name_nobody(board):
    recording = scene.make_recording(log=False)
    quiet = texts(build_evidence_figure(scene.make_quiet_finding(board), recording, board=board))
    assert "No hot spot" in quiet
    assert "no colour" in quiet
    assert "6.0 mK" in quiet
    undecided = texts(build_evidence_figure(scene.make_undecided_finding(board), recording))
    assert "Cannot tell" in undecided
    assert "moved in 17 of 60 frames" in undecided.replace("\n", " ")
    for said in (quiet, undecided):
        assert "C17" not in said
        assert "Suspects" not in said


def test_a_hint_shows_its_suspects_and_what_stands_in_the_way(board):
    recording = scene.make_recording(log=False)
    said = texts(build_evidence_figure(scene.make_hinted_finding(board), recording, board=board))
    for fact in ("Cannot tell", "Suspects", "uncertain", "could be noise", "Take nothing off"):
        assert fact in said.replace("\n", " "), fact
    assert "likely" not in said


def test_display_video_never_claims_kelvin(board, finding):
    relative = replace(finding, heat=replace(finding.heat, unit="relative"))
    said = texts(build_evidence_figure(relative, scene.make_recording(), board=board))
    assert "relative units above cold" in said
    assert "0.42 K" not in said
    assert "rise above cold, K" not in said


def test_a_name_in_another_script_or_with_markup_is_drawn_without_a_warning(board, finding):
    odd = replace(board, name="基板 $x_1$ {Ω} <b>")
    suspect = replace(finding.suspects[0], ref="C17$^2$测")
    figure = build_evidence_figure(
        replace(finding, suspects=(suspect,)), scene.make_recording(), board=odd
    )
    to_pixels(figure)  # warnings are errors here
    assert "□□ $x_1$ {Ω} <b>" in texts(figure)


def test_heat_sheet_shows_both_maps_in_thermal_pixels(finding):
    figure = build_heat_figure(finding, scene.make_recording())
    images = [axes.images[0].get_array() for axes in figure.axes if axes.images]
    assert [i.shape for i in images[:2]] == [(120, 160), (120, 160)]
    assert images[0].mask[40, 71]  # the bad pixel is not coloured
    np.testing.assert_array_equal(images[1].data[60], finding.heat.source[60])


def test_all_pixels_invalid_still_draws(board):
    quiet = scene.make_undecided_finding(board)
    dead = replace(
        quiet.heat,
        valid=np.zeros((120, 160), bool),
        rise_k=np.full((120, 160), np.nan, np.float32),
        cold=np.full((120, 160), np.nan, np.float32),
    )
    figure = build_evidence_figure(replace(quiet, heat=dead), scene.make_recording())
    assert to_pixels(figure).shape[1] == 1600
    assert to_pixels(build_heat_figure(replace(quiet, heat=dead), scene.make_recording())).any()
