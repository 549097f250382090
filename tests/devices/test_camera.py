"""Cameras through OpenCV: a fake capture that misbehaves."""

from __future__ import annotations

import threading
import time
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
import pytest

from hotspot.devices.camera import CaptureCamera
from hotspot.devices.capture import WAITING, open_attempts
from hotspot.errors import CameraError
from hotspot.profile import CameraProfile, RawPlane, Values
from tests.devices.fake_capture import COLS, ROWS, Y16, FakeCapture, colour, opened, raw

pytestmark = pytest.mark.usefixtures("impatient")


def test_raw_16_bit_is_asked_for_first_and_comes_exact() -> None:
    asked: list[tuple[Any, ...]] = []

    def open_capture(*attempt: Any) -> FakeCapture:
        asked.append(attempt)
        return FakeCapture([raw(k) for k in range(6)])

    camera = CaptureCamera(2, open_capture=open_capture)
    assert asked[0][0] == 2
    settings = dict(zip(asked[0][2][::2], asked[0][2][1::2], strict=True))
    assert settings[cv2.CAP_PROP_FOURCC] == Y16
    assert settings[cv2.CAP_PROP_CONVERT_RGB] == 0
    assert camera.profile.values is Values.COUNTS
    assert camera.profile.shape == (ROWS, COLS)
    frames = [camera.read() for _ in range(6)]
    for k, frame in enumerate(frames):
        np.testing.assert_array_equal(frame.counts, raw(k))
    assert [f.index for f in frames] == list(range(6))
    assert all(a.t_s < b.t_s for a, b in pairwise(frames))
    assert frames[0].t_s == 0.0


def test_a_plain_webcam_is_no_16_bit_camera() -> None:
    """Asked for raw values it sends pairs of brightness and colour, which are no counts."""
    pairs = np.random.default_rng(1).integers(0, 256, (ROWS, COLS, 2)).astype(np.uint8)

    def open_capture(source: Any, backend: int, settings: list[int]) -> FakeCapture:
        is_raw = cv2.CAP_PROP_CONVERT_RGB in settings
        return FakeCapture([pairs] * 3 if is_raw else [colour(k) for k in range(9)])

    camera = CaptureCamera(0, open_capture=open_capture)
    assert camera.profile.values is Values.PALETTE8
    np.testing.assert_array_equal(camera.read().counts, colour(0)[:, :, ::-1])  # BGR to RGB


@pytest.mark.parametrize("view", ["<u2", ">u2"])
@pytest.mark.parametrize("form", ["pairs", "16 bit", "bytes side by side"])
def test_a_stacked_raw_plane_is_cut_out_by_profile(view: str, form: str) -> None:
    values = [raw(k) for k in range(4)]
    stacked = []
    for k, plane in enumerate(values):
        picture = np.random.default_rng(90 + k).integers(0, 256, (ROWS, COLS, 2)).astype(np.uint8)
        below = plane.astype(view).view(np.uint8).reshape(ROWS, COLS, 2)
        whole = np.ascontiguousarray(np.concatenate([picture, below]))
        stacked.append(
            whole if form == "pairs"
            else whole.view("<u2")[:, :, 0] if form == "16 bit"
            else whole.reshape(2 * ROWS, 2 * COLS)
        )  # fmt: skip
    wide = 2 * COLS if form == "bytes side by side" else COLS
    profile = CameraProfile(
        name="two in one", width=COLS, height=ROWS, scale=0.02, offset=-273.15,
        raw_plane=RawPlane((0, ROWS, wide, ROWS), view),
    )  # fmt: skip
    camera = opened(stacked, profile=profile)
    assert camera.profile is profile
    for plane in values:
        counts = camera.read().counts
        assert counts.dtype == np.uint16
        np.testing.assert_array_equal(counts, plane)


def test_a_profile_of_another_camera_is_refused_with_both_sizes() -> None:
    profile = CameraProfile(name="other", width=80, height=60)
    with pytest.raises(CameraError, match="sends 32×24 counts, the profile says 80×60 counts"):
        opened([raw(k) for k in range(9)], profile=profile)
    eight_bit = CameraProfile(name="other", width=COLS, height=ROWS)
    with pytest.raises(CameraError, match="sends 32×24 grey8, the profile says 32×24 counts"):
        opened([raw(k).astype(np.uint8) for k in range(9)], profile=eight_bit)
    plane = CameraProfile(name="p", width=COLS, height=ROWS, raw_plane=RawPlane((0, 24, 32, 24)))
    with pytest.raises(CameraError, match="raw_plane does not fit"):
        opened([raw(k) for k in range(9)], profile=plane)


def test_one_frame_of_another_size_is_left_out_and_counted() -> None:
    camera = opened([raw(0), raw(1, rows=12), raw(2), raw(3).astype(np.uint8), raw(4)])
    for k in (0, 2, 4):
        np.testing.assert_array_equal(camera.read().counts, raw(k))
    assert camera.spoilt == 2


def test_a_camera_that_changes_its_size_for_good_has_failed() -> None:
    camera = opened([raw(0), *[raw(k, rows=48) for k in range(500)]])
    camera.read()
    with pytest.raises(CameraError, match="sends 32×48 uint16 now, 32×24 before"):
        camera.read()


def test_a_stall_is_noticed_while_the_driver_hangs() -> None:
    hung = threading.Event()
    capture = FakeCapture([raw(0), hung])
    camera = CaptureCamera(0, open_capture=lambda *_: capture)
    camera.read()
    began_s = time.monotonic()
    with pytest.raises(CameraError, match="gives no picture"):
        camera.read()
    assert 0.4 < time.monotonic() - began_s < 5
    camera.close()
    assert time.monotonic() - began_s < 10  # closing does not wait for the driver
    hung.set()
    deadline = time.monotonic() + 5
    while not capture.released_in and time.monotonic() < deadline:
        time.sleep(0.01)
    assert capture.released_in == "capture"  # by the thread that reads, never under its read


@pytest.mark.parametrize("end", [None, cv2.error("unplugged")])
def test_an_unplugged_camera_says_so(end: Any) -> None:
    camera = opened([raw(0), raw(1), end])
    camera.read()
    camera.read()
    began_s = time.monotonic()
    with pytest.raises(CameraError, match="Check plug and cable"):
        camera.read()
    assert time.monotonic() - began_s < 0.4  # an end is no silence to wait out


GREEN = np.full((ROWS, COLS, 3), (0, 135, 0), np.uint8)  # BT.601: Y, Cb and Cr of 0, clipped


def test_green_pictures_of_a_camera_that_wakes_up_are_left_out() -> None:
    camera = opened([GREEN] * 7 + [colour(k) for k in range(3)])
    seen = camera.read().counts
    assert any(np.array_equal(seen, colour(k)[:, :, ::-1]) for k in range(3))
    # On a busy machine some come while nobody reads.
    assert camera.spoilt >= 1
    assert camera.spoilt + camera.dropped >= 7


def test_frames_cut_off_below_are_left_out() -> None:
    half = colour(1)
    half[ROWS // 2 :] = GREEN[0, 0]
    camera = opened([colour(0), half, colour(2)])
    camera.read()
    np.testing.assert_array_equal(camera.read().counts, colour(2)[:, :, ::-1])
    torn = raw(1)
    torn[18:] = 0
    camera = opened([raw(0), torn, raw(2)])
    camera.read()
    np.testing.assert_array_equal(camera.read().counts, raw(2))
    assert camera.spoilt == 1


def test_a_picture_that_always_ends_plain_is_not_cut_off() -> None:
    frames = [raw(k) for k in range(4)]
    for frame in frames:
        frame[-4:] = 0  # a camera with fewer rows than it sends
    dark = [
        np.random.default_rng(k).integers(90, 99, (ROWS, COLS)).astype(np.uint8) for k in (0, 1)
    ]
    dark[1][-4:] = 95  # smoothed 8-bit video may well be even
    for sent in (frames, dark):
        camera = opened(sent)
        for frame in sent:
            np.testing.assert_array_equal(camera.read().counts, frame)
        assert camera.spoilt == 0


def test_a_camera_that_sends_one_colour_only_is_told() -> None:
    with pytest.raises(CameraError, match="one even colour"):
        opened([GREEN] * 2000)
    camera = opened([colour(0), *[GREEN] * 2000])
    camera.read()
    with pytest.raises(CameraError, match="one even colour"):
        camera.read()


def test_repeated_frames_are_counted_and_given() -> None:
    sent = [raw(0), raw(0), raw(1), raw(1), raw(1), raw(2)]
    camera = opened(sent)
    for frame in sent:
        np.testing.assert_array_equal(camera.read().counts, frame)
    assert camera.repeated == 3


def test_a_clock_that_jumps_never_runs_back() -> None:
    now = [1000.0]
    jumps = {5: -3600.0, 10: 7200.0, 15: -1e6}
    count = [0]

    def clock() -> float:
        count[0] += 1
        now[0] += 0.04 + jumps.get(count[0], 0.0)
        return now[0]

    camera = opened([raw(k) for k in range(30)], clock=clock)
    times = np.array([camera.read().t_s for _ in range(20)])
    steps = np.diff(times)
    assert (steps > 0).all()
    # Backward jumps cost nothing, the forward one is a gap that the analysis reports.
    assert np.sort(steps)[:-1] == pytest.approx(0.04, abs=0.0401)
    assert steps.max() == pytest.approx(7200.04)


def test_a_slow_reader_gets_fresh_frames_in_order() -> None:
    camera = opened([raw(k) for k in range(60)])
    camera.read()
    time.sleep(0.5)
    rest = [camera.read() for _ in range(WAITING)]
    np.testing.assert_array_equal(rest[-1].counts, raw(59))
    assert camera.dropped == 60 - 1 - WAITING
    assert all(a.t_s < b.t_s for a, b in pairwise(rest))


def test_a_camera_that_is_not_there() -> None:
    with pytest.raises(CameraError, match="cannot be opened"):
        CaptureCamera(0, open_capture=lambda *_: FakeCapture([], opened=False))


def test_a_profile_decides_what_is_asked_for() -> None:
    raw_only = open_attempts(0, wants_raw=True, size=(160, 120))
    assert all(cv2.CAP_PROP_CONVERT_RGB in settings for _, _, settings in raw_only)
    assert cv2.CAP_PROP_FRAME_WIDTH in raw_only[0][2]
    shown = open_attempts(0, wants_raw=False, size=None)
    assert not any(cv2.CAP_PROP_CONVERT_RGB in settings for _, _, settings in shown)
    assert open_attempts("http://192.0.2.1/", wants_raw=True, size=None)[0][1] == cv2.CAP_FFMPEG
