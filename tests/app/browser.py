"""The bench app in a process of its own, and a real Chromium in front of it."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM = "/usr/bin/chromium"
# No GPU, no sandbox in a container, and nothing that calls out by itself.
ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
# A word that stands once in the page, inside or outside of a component's own tree.
LIVE_CANVAS = "canvas[aria-label='Live thermal picture']"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def bench_server(folder: Path, *, port: int | None = None) -> Iterator[str]:
    """Run `hotspot bench` on a store in `folder`; yield its address."""
    port = port or free_port()
    settings = {"HOTSPOT_STORE": str(folder / "jobs.db"), "OMP_NUM_THREADS": "1",
                "PYTHONPATH": str(ROOT)}  # fmt: skip
    log = (folder / "server.log").open("wb")
    server = subprocess.Popen(
        [sys.executable, "-m", "hotspot", "bench", "--no-browser", "--port", str(port)],
        cwd=folder, env={**os.environ, **settings}, stdout=log, stderr=log,
    )  # fmt: skip
    address = f"http://127.0.0.1:{port}"
    try:
        for _ in range(150):
            with suppress(urllib.error.URLError, OSError):
                urllib.request.urlopen(f"{address}/_stcore/health", timeout=1)
                break
            if server.poll() is not None:
                raise RuntimeError((folder / "server.log").read_text())
            time.sleep(0.2)
        yield address
    finally:
        server.terminate()
        try:
            server.wait(timeout=10)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()
        log.close()


@contextmanager
def chromium() -> Iterator[Any]:
    """Yield a browser; skip the test where there is none."""
    playwright = pytest.importorskip("playwright.sync_api")
    if not Path(CHROMIUM).exists():
        pytest.skip(f"{CHROMIUM} is not installed")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        try:
            yield browser
        finally:
            browser.close()


class StreamCamera:
    """A network camera that sends JPEG pictures, and can be unplugged."""

    def __init__(self) -> None:
        self.port = free_port()
        self._server: ThreadingHTTPServer | None = None
        self.plugged = False

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}/video"

    def plug_in(self) -> None:
        camera = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                self.send_response(200)
                self.send_header("Content-Type", "multipart/x-mixed-replace; boundary=frame")
                self.end_headers()
                rng = np.random.default_rng(1)
                with suppress(OSError):
                    while camera.plugged:
                        picture = rng.integers(90, 110, (120, 160), np.uint8)
                        picture[40:50, 60:70] = 200
                        data = cv2.imencode(".jpg", picture)[1].tobytes()
                        head = f"--frame\r\nContent-Type: image/jpeg\r\nContent-Length: {len(data)}"
                        self.wfile.write(head.encode() + b"\r\n\r\n" + data + b"\r\n")
                        time.sleep(0.05)
                self.close_connection = True

            def log_message(self, *args: Any) -> None:
                """Keep quiet."""

        self.plugged = True
        self._server = ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        self._server.daemon_threads = True
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def unplug(self) -> None:
        self.plugged = False
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None
