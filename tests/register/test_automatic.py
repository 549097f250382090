"""Registration without clicks: right, or silent."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from hotspot.register.automatic import register_automatically
from tests.register import damage, scenes


@pytest.mark.parametrize("seed", [0, 3, 8])
def test_a_baseline_is_laid_on_the_photo_at_any_turn_and_size(seed):
    pair = scenes.build_pair(seed)
    found = register_automatically(pair.thermal, photo=pair.photo, board=pair.board)
    assert found.method == "automatic"
    assert scenes.error_px(found, pair) < 1.0
    assert "agree with the photo" in found.support
    assert found.board_from_thermal is not None
    # Where the pixel in the middle of the picture lies on the board, by the true map.
    rows, cols = pair.thermal.shape
    middle = np.array([cols / 2, rows / 2])
    true_photo = cv2.perspectiveTransform(middle[None, None], pair.photo_from_thermal)[0, 0]
    mm, clicked = pair.board.photo_landmarks[:, :2], pair.board.photo_landmarks[:, 2:]
    true_mm = cv2.perspectiveTransform(true_photo[None, None], cv2.findHomography(clicked, mm)[0])
    assert np.linalg.norm(found.board_from_thermal.map(middle) - true_mm[0, 0]) < 0.3


def test_a_part_map_serves_without_a_photo():
    pair = scenes.build_pair(118)
    found = register_automatically(pair.thermal, photo=None, board=pair.board)
    assert found.method == "automatic"
    assert "part map" in found.support
    assert scenes.error_px(found, pair) < 1.5


def test_photo_of_another_board_is_refused():
    pair, other = scenes.build_pair(2), scenes.build_pair(5002)
    found = register_automatically(pair.thermal, photo=other.photo, board=None)
    assert found.method == "none"
    assert "could not be matched" in found.warnings[0]
    assert found.photo_from_thermal is None


def test_a_picture_without_content_is_refused():
    photo = scenes.build_pair(2).photo
    rng = np.random.default_rng(1)
    uniform = np.full((96, 128), 21.0, np.float32)
    assert register_automatically(uniform, photo=photo, board=None).method == "none"
    noise = (uniform + rng.normal(0, 0.05, uniform.shape)).astype(np.float32)
    assert register_automatically(noise, photo=photo, board=None).method == "none"
    noise[3:5, 7] = np.nan
    assert register_automatically(noise, photo=None, board=None).method == "none"


def test_a_photo_of_no_board_is_refused():
    rng = np.random.default_rng(4)
    cloth = cv2.GaussianBlur(rng.uniform(0, 255, (600, 800, 3)).astype(np.float32), (0, 0), 6)
    photo = cv2.normalize(cloth, None, 0, 255, cv2.NORM_MINMAX).astype(np.uint8)
    pair = scenes.build_pair(6)
    assert register_automatically(pair.thermal, photo=photo, board=None).method == "none"


def test_a_large_sensor_is_reduced_and_mapped_back():
    pair = scenes.build_pair(7, shape=(384, 512), mm_per_px=0.12)
    found = register_automatically(pair.thermal, photo=pair.photo, board=pair.board)
    assert found.method == "automatic"
    assert scenes.error_px(found, pair) < 1.5


def test_only_a_plane_of_pixels_is_taken():
    with pytest.raises(ValueError, match="cold must have shape"):
        register_automatically(np.zeros((4, 96, 128)), photo=None, board=None)


def test_a_picture_of_few_pixels_is_an_answer_and_no_error():
    found = register_automatically(np.eye(24, 32), photo=None, board=None)
    assert found.method == "none"
    assert "click landmarks" in found.warnings[0]


@pytest.mark.slow
def test_right_on_most_scenes_and_wrong_on_none():
    found = []
    for seed in range(300, 312):
        pair = scenes.build_pair(seed)
        result = register_automatically(pair.thermal, photo=pair.photo, board=None)
        found.append(np.nan if result.method == "none" else scenes.error_px(result, pair))
    errors = np.array(found)
    assert np.mean(errors <= 1.5) >= 0.8
    assert not (errors > 3).any()


@pytest.mark.slow
def test_other_boards_are_never_accepted():
    for seed in range(400, 406):
        pair, other = scenes.build_pair(seed), scenes.build_pair(seed + 5000)
        result = register_automatically(pair.thermal, photo=other.photo, board=other.board)
        assert result.method == "none", seed


@pytest.mark.slow
@pytest.mark.parametrize("what", [*damage.OF_THERMAL, *damage.OF_PHOTO])
def test_a_spoilt_picture_is_registered_right_or_refused(what):
    for seed in (700, 702):
        pair = scenes.build_pair(seed)
        rng = np.random.default_rng(seed)
        thermal, photo = pair.thermal, pair.photo
        if what in damage.OF_THERMAL:
            thermal = damage.OF_THERMAL[what](thermal, rng)
        else:
            photo = damage.OF_PHOTO[what](photo, rng)
        found = register_automatically(thermal, photo=photo, board=None)
        if found.method == "none":
            assert "could not be matched" in found.warnings[0]
        else:
            assert scenes.error_px(found, pair) < 1.5
