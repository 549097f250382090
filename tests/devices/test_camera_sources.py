"""Cameras through OpenCV: real video files, streams on loopback."""

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
from hotspot.errors import CameraError
from hotspot.profile import CameraProfile, Values
from tests.devices.fake_capture import raw

pytestmark = pytest.mark.usefixtures("impatient")


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
