import itertools

import numpy as np
import pytest

from hotspot.practice.optics import PLANCK_B_K, to_apparent_c, to_radiance
from hotspot.practice.sensor import CameraSettings, Sensor, build_radiance_curve
from hotspot.profile import Values

QUIET = {
    "netd_mk": 0.0,
    "fixed_pattern_mk": 0.0,
    "column_pattern_mk": 0.0,
    "row_noise_mk": 0.0,
    "column_noise_mk": 0.0,
    "flicker_mk": 0.0,
    "drift_k": 0.0,
}


def sensor(seed=3, **changes):
    settings = {**QUIET, "width": 61, "height": 47, "values": Values.CELSIUS, **changes}
    return Sensor(CameraSettings(**settings), np.random.default_rng(seed))


SCENE = np.linspace(18.0, 42.0, 47 * 61).reshape(47, 61)


def frames(camera, times, scene=SCENE):
    return [camera.deliver(scene, t_s=float(t)) for t in times]


def test_radiance_is_the_planck_law_and_inverts():
    # Planck 1901: 1/(exp(c2/lambda T) - 1), c2 = 14387.77 um K (CODATA 2018), lambda = 10 um
    assert to_radiance(26.85) == pytest.approx(1 / (np.exp(1438.777 / 300.0) - 1), rel=1e-6)
    np.testing.assert_allclose(to_apparent_c(to_radiance(SCENE)), SCENE, atol=1e-9)


def test_a_quiet_camera_delivers_the_scene():
    np.testing.assert_array_equal(sensor().deliver(SCENE, t_s=0.0).counts, SCENE.astype("f4"))


def test_netd_is_the_noise_of_one_frame():
    stack = np.array([f.counts for f in frames(sensor(netd_mk=50.0), np.arange(60) / 9)])
    # 60·47·61 samples: the standard deviation is known to 0.2 %
    assert (stack - SCENE).std() == pytest.approx(0.050, rel=0.01)


def test_smoothed_noise_keeps_its_size_and_gains_correlation():
    stack = np.array(
        [f.counts - SCENE for f in frames(sensor(netd_mk=50.0, noise_blur_px=0.8), range(60))]
    )
    assert stack.std() == pytest.approx(0.050, rel=0.02)
    along = (stack[:, :, 1:] * stack[:, :, :-1]).mean() / stack.var()
    # white noise blurred by s has autocorrelation exp(-d²/4s²)
    assert along == pytest.approx(np.exp(-1 / (4 * 0.8**2)), abs=0.02)


def test_linear_counts_come_back_within_half_a_count():
    camera = sensor(values=Values.COUNTS, scale=0.04, offset=-40.0)
    counts = camera.deliver(SCENE, t_s=0.0).counts
    profile = camera.settings.to_profile()
    assert counts.dtype == np.uint16
    back = counts * profile.scale + profile.offset
    assert np.abs(back - SCENE).max() <= 0.02 + 1e-9


def test_radiance_counts_come_back_through_the_three_parameter_curve():
    camera = sensor(values=Values.COUNTS, radiance_curve=build_radiance_curve())
    counts = camera.deliver(SCENE, t_s=0.0).counts.astype(float)
    profile = camera.settings.to_profile()
    curve = profile.radiance_curve
    assert profile.scale is None
    assert curve.b == PLANCK_B_K
    back = curve.b / np.log(curve.r / (counts - curve.offset) + curve.f) - 273.15
    assert np.abs(back - SCENE).max() < 0.021  # half a count, 25 counts/K at least


@pytest.mark.parametrize(("values", "shape"), [("grey8", (47, 61)), ("palette8", (47, 61, 3))])
def test_display_video_is_eight_bit_and_rises_with_temperature(values, shape):
    picture = sensor(values=Values(values)).deliver(SCENE, t_s=0.0).counts
    assert picture.shape == shape
    assert picture.dtype == np.uint8
    grey = picture.astype(int).reshape(47, 61, -1).sum(axis=-1)
    assert (np.diff(grey.ravel()) >= 0).all()
    assert np.ptp(grey) > 100


def test_shutter_freezes_the_picture_and_leaves_a_step():
    camera = sensor(shutter_s=2.0, shutter_period_s=10.0, shutter_freeze_s=0.5, netd_mk=20.0,
                    shutter_step_mk=300.0)  # fmt: skip
    times = np.arange(0, 4, 0.1) + 0.01
    got = frames(camera, times)
    closed = [i for i, f in enumerate(got) if f.shutter]
    np.testing.assert_allclose(times[closed], np.arange(2.01, 2.5, 0.1))
    for i in closed:
        np.testing.assert_array_equal(got[i].counts, got[closed[0] - 1].counts)
    before = np.mean([f.counts for f in got[: closed[0]]])
    after = np.mean([f.counts for f in got[closed[-1] + 1 :]])
    assert abs(after - before) > 0.02  # a draw of sd 0.3 K; the noise of the means is 0.1 mK


def test_repeated_frames_are_exact_copies_at_the_stated_rate():
    got = frames(sensor(repeat_share=0.2, netd_mk=20.0), np.arange(500) / 25)
    share = np.mean([f.repeated for f in got])
    assert share == pytest.approx(0.2, abs=0.06)  # 3 sd of 500 draws
    for before, frame in itertools.pairwise(got):
        assert np.array_equal(before.counts, frame.counts) == frame.repeated


def test_slow_noise_keeps_its_size_and_forgets_over_its_times():
    got = frames(sensor(flicker_mk=40.0, width=160, height=120), np.arange(0, 40, 2.0),
                 scene=np.full((120, 160), 20.0))  # fmt: skip
    error = np.array([f.counts for f in got], dtype=float) - 20.0
    assert error[0].std() == pytest.approx(0.040, rel=0.03)
    assert error[-1].std() == pytest.approx(0.040, rel=0.03)
    lag = 10.0
    found = (error[:-5] * error[5:]).mean() / error.var()
    expected = np.mean([np.exp(-lag / tau) for tau in (1.0, 10.0, 100.0)])
    assert found == pytest.approx(expected, abs=0.02)


def test_drift_follows_its_exponential():
    got = frames(sensor(drift_k=0.5, drift_time_s=20.0), [0.0, 20.0, 200.0])
    fall = [float((f.counts - SCENE).mean()) for f in got]
    assert fall == pytest.approx([0.0, -0.5 * (1 - np.exp(-1)), -0.5], abs=1e-4)


def test_bad_and_blinking_pixels_are_where_the_sensor_says():
    camera = sensor(bad_pixels=4, blinking_pixels=3, blink_k=2.0)
    stack = np.array([f.counts - SCENE for f in frames(camera, np.arange(0, 60, 0.5))])
    wrong = {(int(x), int(y)) for y, x in np.argwhere(np.abs(stack).max(axis=0) > 0.1)}
    assert wrong == set(camera.bad_xy) | set(camera.blinking_xy)
    for x, y in camera.blinking_xy:
        assert set(np.round(np.unique(stack[:, y, x]), 3)) == {0.0, 2.0}


def test_rows_and_columns_share_their_noise():
    stack = np.array([f.counts - SCENE for f in frames(sensor(row_noise_mk=30.0), range(40))])
    assert np.ptp(stack, axis=2).max() < 1e-5
    assert stack[:, :, 0].std() == pytest.approx(0.030, rel=0.05)


def test_the_same_seed_gives_the_same_frames():
    a = frames(sensor(netd_mk=50.0, flicker_mk=10.0, repeat_share=0.1), range(20))
    b = frames(sensor(netd_mk=50.0, flicker_mk=10.0, repeat_share=0.1), range(20))
    for x, y in zip(a, b, strict=True):
        np.testing.assert_array_equal(x.counts, y.counts)


@pytest.mark.parametrize("name", ["width", "frame_rate_hz", "scale"])
def test_impossible_settings_are_named(name):
    with pytest.raises(ValueError, match=f"{name} must be > 0, got 0"):
        CameraSettings(**{name: 0})


def test_the_corners_may_drift_more_than_the_middle():
    got = frames(sensor(drift_k=1.0, drift_time_s=1.0, drift_edge=0.5), [0.0, 50.0])
    fall = got[1].counts - SCENE
    assert fall[23, 30] == pytest.approx(-1.0, abs=1e-3)
    assert fall[0, 0] == pytest.approx(-1.5, abs=1e-3)
