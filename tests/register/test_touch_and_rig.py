"""Touch points and the kept registration of a stand."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from hotspot.errors import InputError, RegistrationError
from hotspot.files.registrations import load_registration, save_registration
from hotspot.register.from_landmarks import fit_registration
from hotspot.register.registration import PlaneMap, Registration
from hotspot.register.rig import check_rig
from hotspot.register.touch import TouchEvent, find_touches
from hotspot.register.touch_pairs import fit_touches, match_touches
from tests.register import scenes

TRUE = np.array([[4.0, 0.2, 30.0], [-0.15, 4.1, 20.0], [1e-4, 0.0, 1.0]])
PLACES = np.array([[30.3, 25.6], [130.1, 20.4], [120.7, 95.2], [25.5, 100.9]])


def film(rng, *, places=PLACES, rise_k=1.5, drift=0.3, rate_hz=25.0):
    """Frames in which each place is touched for 0.8 s, one every 3 s, and cools in 1.5 s."""
    times = np.arange(0, 3 * len(places) + 2, 1 / rate_hz)
    y, x = np.mgrid[0:120, 0:160]
    pattern = rng.normal(0, 0.5, (120, 160))
    frames = np.empty((len(times), 120, 160), np.float32)
    for k, t in enumerate(times):
        frame = 25 + pattern + drift * t / 10 + rng.normal(0, 0.06, pattern.shape)
        if 4.0 < t < 4.3:
            frame = frame + 0.8  # a shutter step lifts everything
        for i, (px, py) in enumerate(places):
            since = t - (1 + 3 * i)
            if since > 0:
                warm = min(since / 0.2, 1.0) * np.exp(-max(0.0, since - 0.8) / 1.5)
                frame = frame + rise_k * warm * np.exp(
                    -((x - px) ** 2 + (y - py) ** 2) / 2 / 1.8**2
                )
        frames[k] = frame
    return frames, times


def chunked(frames, times, size=40):
    return ((frames[i : i + size], times[i : i + size]) for i in range(0, len(times), size))


def test_touches_are_found_in_order_and_register():
    rng = np.random.default_rng(1)
    frames, times = film(rng)
    touches = find_touches(chunked(frames, times))
    assert len(touches) == 4
    for touch, place, i in zip(touches, PLACES, range(4), strict=True):
        assert np.hypot(*(touch.xy_px - place)) < 0.6
        assert abs(touch.t_s - (1 + 3 * i)) < 0.6
        assert touch.snr > 6.5
    clicks = PlaneMap(TRUE, np.zeros((8, 8))).map(PLACES) + rng.normal(0, 1.0, PLACES.shape)
    found = fit_touches(touches, clicks)
    assert found.method == "touch points"
    middle = np.array([80.0, 60.0])
    error = found.photo_from_thermal.map(middle) - PlaneMap(TRUE, np.zeros((8, 8))).map(middle)
    assert np.hypot(*error) < 4.0  # photo px: one thermal px


def test_nothing_touched_nothing_found_and_numbers_must_match():
    rng = np.random.default_rng(2)
    frames, times = film(rng, rise_k=0.0)
    assert find_touches(chunked(frames, times)) == ()
    frames, times = film(rng)
    touches = find_touches(chunked(frames, times))
    with pytest.raises(RegistrationError, match=r"4 touches were seen .* and 3 places clicked"):
        fit_touches(touches, np.zeros((3, 2)))
    with pytest.raises(RegistrationError, match="three places"):
        fit_touches(touches[:2], np.zeros((2, 2)))


def event(x, y, t_s):
    return TouchEvent(float(t_s), np.array([x, y], float), 0.04 * np.eye(2), snr=20.0)


SIX = np.array([[20, 15], [140, 22], [130, 100], [25, 95], [80, 60], [60, 20]], dtype=float)


@pytest.mark.parametrize("extra", [0, 3, 6])
def test_a_touch_too_many_is_left_out_by_name(extra):
    rng = np.random.default_rng(extra)
    clicks = PlaneMap(TRUE, np.zeros((8, 8))).map(SIX) + rng.normal(0, 1.0, SIX.shape)
    places = np.insert(SIX + rng.normal(0, 0.3, SIX.shape), extra, [99.0, 77.0], axis=0)
    touches = tuple(event(x, y, 3 * i) for i, (x, y) in enumerate(places))
    found = fit_touches(touches, clicks)
    assert f"The touch at {3 * extra:.1f} s belongs to no click and was left out." in found.warnings
    at = np.array([80.0, 60.0])
    miss = found.photo_from_thermal.map(at) - PlaneMap(TRUE, np.zeros((8, 8))).map(at)
    assert np.hypot(*miss) < 4.0


def test_a_touch_not_seen_leaves_its_click_out():
    clicks = PlaneMap(TRUE, np.zeros((8, 8))).map(SIX)
    touches = tuple(event(x, y, 3 * i) for i, (x, y) in enumerate(np.delete(SIX, 2, axis=0)))
    pairing = match_touches(touches, clicks)
    assert pairing.clicks == (0, 1, 3, 4, 5)
    assert "Click 3 was touched too faintly" in pairing.left_out[0]


def test_what_the_geometry_cannot_tell_is_refused():
    clicks = PlaneMap(TRUE, np.zeros((8, 8))).map(SIX)
    # Two touches of one place: which of them is the click's is open.
    twice = np.insert(SIX, 2, SIX[2] + 0.4, axis=0)
    touches = tuple(event(x, y, 3 * i) for i, (x, y) in enumerate(twice))
    with pytest.raises(RegistrationError, match=r"7 touches were seen .* and 6 places clicked"):
        match_touches(touches, clicks)
    # Touched somewhere else altogether.
    rng = np.random.default_rng(5)
    touches = tuple(event(x, y, 0) for x, y in rng.uniform(0, 120, (7, 2)))
    with pytest.raises(RegistrationError, match="7 touches were seen"):
        match_touches(touches, clicks)


def kept_registration():
    photo = PlaneMap(TRUE, np.zeros((8, 8))).map(PLACES)
    return fit_registration(np.c_[PLACES, photo], None)


def shifted(picture, dx, dy):
    move = np.float32([[1, 0, dx], [0, 1, dy]])
    return cv2.warpAffine(picture, move, picture.shape[::-1], borderMode=cv2.BORDER_REPLICATE)


def test_a_still_board_keeps_its_registration():
    cold = scenes.build_pair(3).thermal
    rng = np.random.default_rng(3)
    again = cold + rng.normal(0, 0.02, cold.shape).astype(np.float32) + 0.7
    kept = kept_registration()
    checked = check_rig(kept, kept_cold=cold, cold=again)
    assert checked.moved_px < 0.75
    assert checked.registration.method == "rig"
    assert checked.registration.photo_from_thermal is kept.photo_from_thermal


def test_a_moved_board_is_followed_or_refused():
    cold = scenes.build_pair(3).thermal
    kept = kept_registration()
    moved = shifted(cold, 2.4, -1.8)
    checked = check_rig(kept, kept_cold=cold, cold=moved)
    assert abs(checked.moved_px - 3.0) < 0.6
    assert "The board has moved: 3 px" in checked.registration.warnings[-1]
    at = np.array([120.0, 90.0])
    want = kept.photo_from_thermal.map(at - [2.4, -1.8])
    assert np.hypot(*(checked.registration.photo_from_thermal.map(at) - want)) < 0.5 * 4
    with pytest.raises(RegistrationError, match="has moved: 3 px"):
        check_rig(kept, kept_cold=cold, cold=moved, correct=False)


def test_another_board_or_camera_is_refused():
    kept = kept_registration()
    cold, other = scenes.build_pair(3).thermal, scenes.build_pair(4).thermal
    with pytest.raises(RegistrationError, match="no longer looks like"):
        check_rig(kept, kept_cold=cold, cold=other)
    with pytest.raises(RegistrationError, match="256 × 192 pixels, the camera gives 100 × 90"):
        check_rig(kept, kept_cold=cold, cold=np.zeros((90, 100), np.float32))


def test_saving_and_loading_is_identity(tmp_path):
    kept = kept_registration()
    cold = scenes.build_pair(3).thermal
    save_registration(tmp_path / "stand.json", kept, cold=cold)
    loaded, baseline = load_registration(tmp_path / "stand.json")
    assert np.array_equal(baseline, cold)
    assert np.array_equal(loaded.photo_from_thermal.matrix, kept.photo_from_thermal.matrix)
    assert np.array_equal(
        loaded.photo_from_thermal.parameter_cov, kept.photo_from_thermal.parameter_cov
    )
    assert (loaded.method, loaded.rms_px) == (kept.method, kept.rms_px)
    save_registration(tmp_path / "none.json", Registration())
    assert load_registration(tmp_path / "none.json")[0].photo_from_thermal is None


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"format": 2}', '{"format": 1}', "null", "[" * 9999]
)
def test_damaged_files_are_named(tmp_path, text):
    path = tmp_path / "stand.json"
    path.write_text(text)
    with pytest.raises(InputError, match=r"stand\.json"):
        load_registration(path)
    with pytest.raises(InputError, match="no such file"):
        load_registration(tmp_path / "absent.json")


def test_a_singular_matrix_is_damage(tmp_path):
    path = tmp_path / "stand.json"
    save_registration(path, kept_registration())
    value = json.loads(path.read_text())
    value["photo_from_thermal"]["matrix"] = [[0, 0, 0]] * 3
    path.write_text(json.dumps(value))
    with pytest.raises(InputError, match="singular"):
        load_registration(path)
