"""The running server, asked as a page elsewhere, another machine or a careless upload would ask."""

from __future__ import annotations

import http.client
import socket
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from tests.app.flows import practice_job, settled, wait_until

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]
UPGRADE = (
    "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
    "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n"
)


def status_of(address: str, path: str, *lines: str, host: str | None = None) -> int:
    """Send a request as it stands, without a client that mends it first."""
    where = urlsplit(address)
    head = f"GET {path} HTTP/1.1\r\nHost: {host or where.netloc}\r\n" + "".join(
        f"{line}\r\n" for line in lines
    )
    with socket.create_connection((where.hostname, where.port), timeout=20) as link:
        link.sendall((head + "\r\n").encode())
        return int(link.recv(4096).split()[1])


def test_names_and_pages_elsewhere_get_nothing_from_any_route(address: str) -> None:
    for path in ("/", "/_stcore/health", "/_stcore/host-config", "/media/x", "/live/channel"):
        assert status_of(address, path, host="evil.example") == 400
        assert status_of(address, path, "Origin: http://evil.example") == 403
    for path in ("/_stcore/stream", "/live/channel"):  # their own checks, and ours before them
        assert status_of(address, path, UPGRADE + "Origin: http://evil.example") == 403
    assert status_of(address, "/live/channel", UPGRADE + f"Origin: {address}") == 403  # no ticket
    assert status_of(address, "/_stcore/health", f"Origin: {address}") == 200


@pytest.mark.parametrize("path", [
    "/media/..%2f..%2f..%2fetc%2fpasswd", "/static/../../../etc/passwd", "/..%5c..%5cetc/passwd",
    "/component/hotspot_live/../../../etc/passwd", "//etc/passwd",
])  # fmt: skip
def test_no_path_leads_out_of_the_app(address: str, path: str) -> None:
    link = http.client.HTTPConnection(urlsplit(address).netloc, timeout=20)
    link.request("GET", path)
    assert b"root:" not in link.getresponse().read()
    link.close()


def test_an_upload_is_limited_by_the_server_and_its_name_leads_nowhere(
    folder: Path, address: str, page: Any
) -> None:
    job = practice_job(folder)
    sent: list[Any] = []
    page.on("request", lambda r: sent.append(r) if r.method == "PUT" else None)
    page.goto(f"{address}/board?job={job}")
    page.get_by_text("Import", exact=True).first.click()
    page.get_by_text("From design files").wait_for()
    settled(page)
    (folder / "small.csv").write_bytes(b"a,b\n")
    page.locator("[data-testid=stFileUploader]").first.locator("input").set_input_files(
        str(folder / "small.csv")
    )
    wait_until(page, lambda: len(sent) > 0)
    page.get_by_text("small.csv").first.wait_for()
    settled(page)
    headers = {k: v for k, v in sent[0].all_headers().items() if k in ("cookie", "x-xsrftoken")} | {
        "Content-Type": "multipart/form-data; boundary=XX"
    }
    before = set(folder.rglob("*"))

    def put(name: str, size: int) -> int:
        head = f'--XX\r\nContent-Disposition: form-data; name="f"; filename="{name}"\r\n\r\n'
        body = head.encode() + b"a" * size + b"\r\n--XX--\r\n"
        request = urllib.request.Request(sent[0].url, body, headers, method="PUT")
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                return int(answer.status)
        except urllib.error.HTTPError as err:
            return err.code
        except OSError:
            return 0  # it hangs up while the rest is being sent

    assert put("../../../escaped.csv", 10) == 204
    assert not list(folder.parent.rglob("escaped.csv"))
    assert {p.name for p in set(folder.rglob("*")) - before} <= {"jobs.db-wal", "jobs.db-shm"}
    assert put("huge.csv", 70 << 20) in (0, 413)
    assert status_of(address, "/_stcore/health") == 200  # and it goes on
