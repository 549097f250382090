"""Landmark maps: models, error bars, wrong clicks, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotspot.board import Board, Kind, Part
from hotspot.errors import RegistrationError
from hotspot.register.fitting import map_points
from hotspot.register.from_landmarks import fit_registration
from hotspot.register.landmarks import fit_plane_map
from hotspot.register.registration import PlaneMap

# A camera over a board, thermal 256 x 192 to photo 1200 x 900, a few degrees of tilt and turn.
TRUE = np.array([[4.1, 0.35, 40.0], [-0.3, 4.0, 60.0], [1.2e-4, -0.9e-4, 1.0]])
EIGHT = np.array(
    [[22, 18], [236, 25], [228, 170], [30, 176], [128, 60], [70, 120], [180, 110], [140, 150]],
    dtype=float,
)
GRID = np.stack(np.meshgrid(np.linspace(15, 240, 6), np.linspace(15, 177, 5)), -1).reshape(-1, 2)


def clicks(rng, points=EIGHT, *, thermal=0.7, photo=1.5):
    return (
        points + rng.normal(0, thermal, points.shape),
        map_points(TRUE, points) + rng.normal(0, photo, points.shape),
    )


@pytest.mark.parametrize(("count", "model"), [(2, "similarity"), (3, "affine"), (4, "homography")])
def test_the_number_of_landmarks_chooses_the_model(count, model):
    points = EIGHT[:count]
    fitted = fit_plane_map(points, map_points(TRUE, points))
    assert fitted.model == model
    assert fitted.matrix[2, 2] == 1.0
    if model != "homography":
        assert (fitted.matrix[2, :2] == 0).all()
        # A tilt that they cannot show is in the error all the same.
        assert (np.diag(fitted.parameter_cov)[6:] > 0).all()
        as_given = fit_plane_map(points, map_points(TRUE, points), tilt_prior=False)
        assert np.abs(as_given.parameter_cov[6:]).max() < 1e-12


def test_all_but_one_on_a_line_gives_an_affine_map_and_says_so():
    points = np.array([[20, 20], [90, 60], [160, 100], [40, 170]], dtype=float)
    fitted = fit_plane_map(points, map_points(TRUE, points))
    assert fitted.model == "affine"
    with pytest.raises(RegistrationError, match="landmarks 1, 2 and 3 lie on one line"):
        fit_plane_map(points, map_points(TRUE, points), model="homography", tilt_prior=False)


@pytest.mark.parametrize(
    ("points", "said"),
    [
        ([[20, 20], [90, 60], [160, 100], [230, 140]], "landmarks 1, 2, 3 and 4 lie on one line"),
        ([[20, 20], [200, 30], [20.5, 20], [30, 170]], "landmarks 1 and 3 are the same place"),
        ([[20, 20], [25, 20], [25, 24], [20, 25]], "1, 2, 3 and 4 are bunched"),
        ([[20, 20]], "1 landmark cannot fix"),
    ],
)
def test_degenerate_clicks_are_refused_by_name(points, said):
    array = np.array(points, dtype=float)
    with pytest.raises(RegistrationError, match=said) as caught:
        fit_plane_map(array, map_points(TRUE, array))
    assert caught.value.cure


def test_clicks_in_another_order_are_refused():
    photo = map_points(TRUE, EIGHT[:4])[[0, 2, 1, 3]]
    with pytest.raises(RegistrationError, match="order"):
        fit_plane_map(EIGHT[:4], photo)


@pytest.mark.parametrize("seed", range(8))
def test_three_clicks_nearly_on_a_line_may_turn_either_way(seed):
    """A landmark on the line between two others: the click's own error decides on which side."""
    rng = np.random.default_rng(seed)
    source = np.array([[128.3, 92.1], [4.1, 5.2], [5.0, 104.6], [51.9, 38.5]])
    photo = map_points(TRUE, source)
    clicked = source + rng.normal(0, 0.7, source.shape)
    plane = fit_plane_map(clicked, photo + rng.normal(0, 1.0, photo.shape))
    middle = np.array([[60.0, 60.0]])
    assert np.hypot(*(plane.map(middle) - map_points(TRUE, middle))[0]) < 25


def test_wrong_shapes_and_values_are_the_callers_mistake():
    with pytest.raises(ValueError, match="must be pairs"):
        fit_plane_map(EIGHT, EIGHT[:5])
    with pytest.raises(ValueError, match="model must be"):
        fit_plane_map(EIGHT, EIGHT, model="projective")
    with pytest.raises(ValueError, match="click_sigma_destination_px must be > 0"):
        fit_plane_map(EIGHT, EIGHT, click_sigma_destination_px=0)


@pytest.mark.parametrize("wrong", [0, 3, 5])
@pytest.mark.parametrize("count", [6, 8])
def test_a_wrong_click_is_found_and_named(wrong, count):
    rng = np.random.default_rng(10 + wrong)
    thermal, photo = clicks(rng, EIGHT[:count])
    thermal[wrong] += [14.0, -9.0]
    fitted = fit_plane_map(thermal, photo, click_sigma_destination_px=1.5)
    assert fitted.outliers == (wrong,)
    assert len(fitted.leave_one_out_px) == count
    assert np.argmax(fitted.leave_one_out_px) == wrong
    error = np.linalg.norm(fitted.map(GRID) - map_points(TRUE, GRID), axis=1) / 4
    assert np.median(error) < 2.0
    said = fit_registration(np.c_[thermal, photo], None).warnings
    assert any(f"Landmark {wrong + 1} is off by" in s for s in said)


def test_good_clicks_are_not_named_even_when_noisier_than_assumed():
    rng = np.random.default_rng(3)
    for _ in range(6):
        thermal, photo = clicks(rng, EIGHT[:6], thermal=1.2, photo=3.0)
        assert fit_plane_map(thermal, photo, click_sigma_destination_px=1.5).outliers == ()


def test_five_clicks_one_grossly_wrong():
    rng = np.random.default_rng(8)
    found = 0
    for k in range(5):
        thermal, photo = clicks(rng, EIGHT[:5], thermal=0.4)
        thermal[k] += [25.0, 20.0]
        found += fit_plane_map(thermal, photo, click_sigma_destination_px=1.5).outliers == (k,)
    assert found >= 4


def test_four_clicks_that_contradict_one_another_are_told_of():
    rng = np.random.default_rng(9)
    thermal, photo = clicks(rng, EIGHT[:4])
    warned = "contradict one another"
    assert not any(warned in s for s in fit_registration(np.c_[thermal, photo], None).warnings)
    thermal[1] += [-14.0, 9.0]
    said = fit_registration(np.c_[thermal, photo], None).warnings
    assert any(warned in s for s in said)
    # Good clicks, drawn many times, do not.
    for _ in range(12):
        found = fit_registration(np.c_[clicks(rng, EIGHT[:4], thermal=1.0)], None)
        assert not any(warned in s for s in found.warnings)


def test_the_map_reverses_and_its_error_with_it():
    rng = np.random.default_rng(5)
    fitted = fit_plane_map(*clicks(rng))
    assert np.allclose(fitted.inverse().map(fitted.map(GRID)), GRID, atol=1e-8)


def test_registration_to_millimetres_and_without_them():
    rng = np.random.default_rng(6)
    mm_from_photo = np.array([[0.05, 0, -10.0], [0, -0.05, 50.0], [0, 0, 1.0]])
    corners = np.array([[60, 80], [1000, 90], [990, 760], [80, 740]], dtype=float)
    part = Part("C1", Kind.CAPACITOR, "0402", 5.0, 5.0, 1.0, 0.5)
    board = Board(
        "demo", (part,), photo_landmarks=np.c_[map_points(mm_from_photo, corners), corners]
    )
    landmarks = np.c_[clicks(rng)]
    found = fit_registration(landmarks, board)
    assert found.method == "landmarks"
    assert found.board_from_thermal is not None
    truth = map_points(mm_from_photo @ TRUE, GRID)
    error = np.linalg.norm(found.board_from_thermal.map(GRID) - truth, axis=1)
    assert error.max() < 0.5  # mm; a thermal pixel is 0.2 mm here
    assert 0.2 < found.rms_px < 2.0
    in_photo = fit_registration(landmarks, Board("demo", (part,), units="photo_px"))
    assert in_photo.board_from_thermal is in_photo.photo_from_thermal
    unplaced = fit_registration(landmarks, Board("demo", (part,)))
    assert unplaced.board_from_thermal is None
    assert "no landmarks between its photo" in unplaced.warnings[-1]
    nothing = fit_registration(np.zeros((0, 4)), board)
    assert nothing.method == "none"
    assert nothing.warnings


@settings(max_examples=25, deadline=None)
@given(
    turn=st.floats(-180, 180),
    scale=st.floats(0.2, 20),
    shift=st.tuples(st.floats(-500, 500), st.floats(-500, 500)),
    mirrored=st.booleans(),
)
def test_any_turn_size_and_side_is_recovered(turn, scale, shift, mirrored):
    a = np.deg2rad(turn)
    m = -1 if mirrored else 1
    true = np.array(
        [
            [scale * np.cos(a), -m * scale * np.sin(a), shift[0]],
            [scale * np.sin(a), m * scale * np.cos(a), shift[1]],
            [0, 0, 1.0],
        ]
    )
    fitted = fit_plane_map(EIGHT, map_points(true, EIGHT), click_sigma_destination_px=scale)
    assert np.abs(fitted.map(GRID) - map_points(true, GRID)).max() < 1e-6 * max(1, scale)
    assert fitted.outliers == ()


@pytest.mark.slow
def test_the_prior_helps_and_its_error_bar_is_true():
    # Seen from nearly above, four 1-px clicks round the middle of the board (noise assumed: 0.7):
    # the plain homography is worse by far, and 95 % regions of the fit hold about 95 %.
    rng = np.random.default_rng(12)
    inner = np.array([[60, 50], [190, 60], [170, 140], [80, 130]], dtype=float)
    plain, with_prior, held = [], [], []
    for _ in range(60):
        thermal, photo = clicks(rng, inner, thermal=1.0, photo=1.0)
        truth = map_points(TRUE, GRID)
        a = fit_plane_map(thermal, photo, tilt_prior=False)
        b = fit_plane_map(thermal, photo)
        plain.append(np.sqrt(((a.map(GRID) - truth) ** 2).sum(1).mean()))
        error = b.map(GRID) - truth
        with_prior.append(np.sqrt((error**2).sum(1).mean()))
        held += [
            e @ np.linalg.solve(b.point_cov(p), e) < 5.99 for p, e in zip(GRID, error, strict=True)
        ]
    assert np.median(with_prior) < 0.75 * np.median(plain)
    assert 0.85 < np.mean(held) <= 1.0


def test_residuals_keep_their_units_through_composition():
    # 0.5 thermal px seen at 4 photo px each are 2 photo px; with 1.5 of the second step: 2.5.
    zero = np.zeros((8, 8))
    first = PlaneMap(np.diag([2.0, 2.0, 1.0]), zero, rms_px=1.0)
    then = PlaneMap(np.diag([2.0, -2.0, 1.0]), zero, rms_px=1.5)
    assert then.after(first).rms_px == pytest.approx(2.5)
    assert first.inverse().rms_px == pytest.approx(0.5)
    # Against residuals simulated: points scattered after each step.
    rng = np.random.default_rng(2)
    points = rng.uniform(0, 200, (4000, 2))
    noisy = then.map(first.map(points) + rng.normal(0, 1 / np.sqrt(2), points.shape))
    noisy += rng.normal(0, 1.5 / np.sqrt(2), points.shape)
    rms = np.sqrt(((noisy - then.after(first).map(points)) ** 2).sum(axis=1).mean())
    assert rms == pytest.approx(then.after(first).rms_px, rel=0.03)
