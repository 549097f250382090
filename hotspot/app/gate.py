"""The door of the server: Host and Origin of every request, and the token on the network.

Streamlit checks only its own routes; this stands in front of all of them.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs, urlsplit

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
AsgiApp = Callable[[Message, Receive, Send], Awaitable[None]]

COOKIE = "hotspot_bench"
LOOPBACK = ("127.0.0.1", "localhost", "::1")


@dataclass(frozen=True, slots=True)
class Rules:
    """Who may come in.

    Attributes
    ----------
    hosts
        Names under which the server may be addressed.
    token
        Asked of every browser when the server is open to the network; None on this machine only.
    """

    hosts: tuple[str, ...] = LOOPBACK
    token: str | None = None


class Gate:
    """ASGI middleware that lets in what `Rules` allow."""

    def __init__(self, app: AsgiApp, rules: Rules) -> None:
        self._app = app
        self._rules = rules

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Let the request pass, or answer it."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        host = headers.get("host", "")
        if _name_of(host) not in self._rules.hosts:
            await _refuse(scope, receive, send, 400, "This server is not known by that name.")
            return
        origin = headers.get("origin")
        if origin is not None and urlsplit(origin).netloc.lower() != host.lower():
            await _refuse(scope, receive, send, 403, "Another page may not use this server.")
            return
        token = self._rules.token
        if token is not None and not _has_cookie(headers.get("cookie", ""), token):
            given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
            if scope["type"] == "http" and _same(given, token):
                await _welcome(scope, send, token)
            else:
                text = "Open the address that 'hotspot bench' has printed, token included."
                await _refuse(scope, receive, send, 401, text)
            return
        await self._app(scope, receive, send)


def _name_of(host: str) -> str:
    try:
        return (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:
        return ""


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode(), other.encode())


def _cookie_value(token: str) -> str:
    """Return a hash of the token: the token itself stays out of the browser's store."""
    return hashlib.sha256(f"{COOKIE}.{token}".encode()).hexdigest()


def _has_cookie(header: str, token: str) -> bool:
    try:
        morsel = SimpleCookie(header).get(COOKIE)
    except CookieError:
        return False
    return morsel is not None and _same(morsel.value, _cookie_value(token))


async def _welcome(scope: Message, send: Send, token: str) -> None:
    """Set the cookie and lead to the address without the token."""
    cookie = f"{COOKIE}={_cookie_value(token)}; HttpOnly; SameSite=Strict; Path=/"
    path = "/" + scope["path"].lstrip("/")  # never another host
    headers = [
        (b"location", path.encode("latin-1", "ignore")),
        (b"set-cookie", cookie.encode()),
        (b"cache-control", b"no-store"),
        (b"referrer-policy", b"no-referrer"),
    ]
    await send({"type": "http.response.start", "status": 303, "headers": headers})
    await send({"type": "http.response.body", "body": b""})


async def _refuse(scope: Message, receive: Receive, send: Send, status: int, text: str) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 4000 + status})
        return
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"cache-control", b"no-store")]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": text.encode()})
