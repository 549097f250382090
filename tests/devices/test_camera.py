"""Cameras through OpenCV: a fake capture that misbehaves, real video files, streams on loopback."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from fractions import Fraction
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from itertools import pairwise
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pytest

from hotspot.devices import camera as camera_module
from hotspot.devices.camera import CaptureCamera, check_url
from hotspot.devices.capture import WAITING, open_attempts
from hotspot.errors import CameraError
from hotspot.profile import CameraProfile, RawPlane, Values

ROWS, COLS = 24, 32
Y16 = cv2.VideoWriter.fourcc(*"Y16 ")


def raw(k: int = 0, *, rows: int = ROWS, cols: int = COLS) -> np.ndarray:
    return np.random.default_rng(k).integers(20000, 20100, (rows, cols)).astype(np.uint16)


def colour(k: int = 0) -> np.ndarray:
    return np.random.default_rng(k).integers(0, 256, (ROWS, COLS, 3)).astype(np.uint8)


class FakeCapture:
    """Gives what it was told to, a frame each 2 ms; None ends it, an event blocks it."""

    def __init__(self, frames: list[Any], *, period_s: float = 0.002, opened: bool = True) -> None:
        self.frames, self.period_s, self.opened = list(frames), period_s, opened
        self.released_in = ""

    def isOpened(self) -> bool:  # noqa: N802
        return self.opened

    def read(self) -> tuple[bool, Any]:
        time.sleep(self.period_s)
        frame = self.frames.pop(0) if self.frames else None
        if isinstance(frame, threading.Event):
            frame.wait(20)
            return False, None
        if isinstance(frame, Exception):
            raise frame
        return frame is not None, frame

    def release(self) -> None:
        self.released_in = threading.current_thread().name


def opened(frames: list[Any], **more: Any) -> CaptureCamera:
    return CaptureCamera(0, open_capture=lambda *_: FakeCapture(frames), **more)


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(camera_module, "SILENT_S", 0.5)
    monkeypatch.setattr(camera_module, "OPENING_S", 1.0)


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
    np.testing.assert_array_equal(camera.read().counts, colour(0)[:, :, ::-1])
    assert camera.spoilt >= 7


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


# Real video files, opened by OpenCV itself ------------------------------------------


class Paced:
    """A file at the pace of a camera."""

    def __init__(self, capture: cv2.VideoCapture) -> None:
        self.capture = capture

    def isOpened(self) -> bool:  # noqa: N802
        return self.capture.isOpened()

    def read(self) -> tuple[bool, Any]:
        time.sleep(0.01)
        return self.capture.read()

    def release(self) -> None:
        self.capture.release()


def file_opener(path: Path, *, converted: bool) -> Callable[..., Paced]:
    settings = [] if converted else [cv2.CAP_PROP_CONVERT_RGB, 0]
    return lambda *_: Paced(cv2.VideoCapture(str(path), cv2.CAP_FFMPEG, settings))


def test_a_16_bit_video_file_is_exact(tmp_path: Path) -> None:
    path = tmp_path / "raw.mkv"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("ffv1", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "gray16le"
        stream.time_base = Fraction(1, 25)
        for k in range(8):
            frame = av.VideoFrame.from_ndarray(raw(k, rows=48, cols=64), format="gray16le")
            frame.pts = k
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)
    camera = CaptureCamera(0, open_capture=file_opener(path, converted=False))
    assert camera.profile.values is Values.COUNTS
    for k in range(8):
        np.testing.assert_array_equal(camera.read().counts, raw(k, rows=48, cols=64))
    with pytest.raises(CameraError, match="gives no picture"):
        camera.read()
    profile = CameraProfile(name="a", width=64, height=48)
    with pytest.raises(CameraError, match="the profile says 64×48 counts"):
        # Read without naming raw values, 16 bits come as 8-bit colour: never taken for counts.
        CaptureCamera(0, profile=profile, open_capture=file_opener(path, converted=True))


def test_a_display_video_file_is_grey_or_palette(tmp_path: Path) -> None:
    for is_grey in (True, False):
        path = tmp_path / f"shown{is_grey}.avi"
        out = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), 25, (64, 48))
        ramp = np.tile(np.linspace(40, 200, 64).astype(np.uint8), (48, 1))
        for _ in range(6):
            out.write(np.dstack([ramp] * 3) if is_grey else cv2.applyColorMap(ramp, 11))
        out.release()
        camera = CaptureCamera(0, open_capture=file_opener(path, converted=True))
        assert camera.profile.values is (Values.GREY8 if is_grey else Values.PALETTE8)
        assert camera.read().counts.shape == (48, 64, 3)


# A network camera on loopback ------------------------------------------


class Streamer:
    """Motion JPEG over HTTP (multipart/x-mixed-replace, RFC 2046 section 5.1)."""

    def __init__(self) -> None:
        self.frames_left, self.stalls, self.size = 1000, False, (64, 48)
        self.stop = threading.Event()
        streamer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                streamer.serve(self)

            def log_message(self, *_: Any) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        threading.Thread(target=self.server.serve_forever, daemon=True).start()
        self.url = f"http://127.0.0.1:{self.server.server_port}/video.mjpg"

    def serve(self, request: BaseHTTPRequestHandler) -> None:
        request.send_response(200)
        request.send_header("Content-Type", "multipart/x-mixed-replace; boundary=frame")
        request.end_headers()
        k = 0
        try:
            while not self.stop.is_set() and k < self.frames_left:
                ramp = np.tile(
                    np.linspace(40, 200, self.size[0]).astype(np.uint8), (self.size[1], 1)
                )
                picture = cv2.applyColorMap(np.roll(ramp, k, axis=1), 11)
                data = cv2.imencode(".jpg", picture)[1].tobytes()
                request.wfile.write(
                    b"--frame\r\nContent-Type: image/jpeg\r\nContent-Length: "
                    + str(len(data)).encode() + b"\r\n\r\n" + data + b"\r\n"
                )  # fmt: skip
                k += 1
                time.sleep(0.01)
            if self.stalls:
                self.stop.wait(20)
        except OSError:
            return

    def close(self) -> None:
        self.stop.set()
        self.server.shutdown()
        self.server.server_close()


@pytest.fixture
def streamer(monkeypatch: pytest.MonkeyPatch) -> Iterator[Streamer]:
    monkeypatch.setattr(camera_module, "SILENT_S", 2.0)
    monkeypatch.setattr(camera_module, "OPENING_S", 20.0)
    one = Streamer()
    yield one
    one.close()


def test_a_stream_is_read(streamer: Streamer) -> None:
    camera = CaptureCamera(streamer.url)
    assert camera.profile.shape == (48, 64)
    assert camera.profile.values is Values.PALETTE8
    frames = [camera.read() for _ in range(20)]
    assert all(a.t_s < b.t_s for a, b in pairwise(frames))
    assert any(not np.array_equal(a.counts, frames[0].counts) for a in frames[1:])
    camera.close()


def read_on(camera: CaptureCamera) -> None:
    for _ in range(500):
        camera.read()


@pytest.mark.parametrize("stalls", [False, True])
def test_a_stream_that_ends_or_stalls_is_told(streamer: Streamer, stalls: bool) -> None:
    streamer.frames_left, streamer.stalls = 60, stalls
    camera = CaptureCamera(streamer.url)
    began_s = time.monotonic()
    with pytest.raises(CameraError, match="gives no picture"):
        read_on(camera)
    assert time.monotonic() - began_s < 30
    camera.close()


def test_a_stream_is_no_raw_camera(streamer: Streamer) -> None:
    profile = CameraProfile(name="raw", width=64, height=48)
    with pytest.raises(CameraError, match="sends 64×48 palette8, the profile says 64×48 counts"):
        CaptureCamera(streamer.url, profile=profile)


def test_a_stream_that_is_not_there() -> None:
    with pytest.raises(CameraError, match="cannot be opened"):
        CaptureCamera("http://127.0.0.1:9/none")


@pytest.mark.parametrize(
    "url", ["file:///etc/passwd", "/dev/video0", "concat:a|b", "http://", "rtsp:///x", "http://[::1",
            "http://a b/", "pipe:0", ""]
)  # fmt: skip
def test_other_addresses_are_never_opened(url: str) -> None:
    with pytest.raises(CameraError, match=r"address"):
        check_url(url)
    with pytest.raises(CameraError, match=r"address"):
        CaptureCamera(url, open_capture=lambda *_: pytest.fail("opened"))
