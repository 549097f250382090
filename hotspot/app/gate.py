"""The door of the server: Host and Origin of every request, and the token on the network.

Streamlit checks only its own routes; this stands in front of all of them.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from ipaddress import IPv6Address, ip_address
from typing import Any
from urllib.parse import parse_qs, urlsplit

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
AsgiApp = Callable[[Message, Receive, Send], Awaitable[None]]

COOKIE = "hotspot_bench"
_OWN_HEADERS = (
    (b"x-frame-options", b"SAMEORIGIN"),
    (b"content-security-policy", b"frame-ancestors 'self'"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
)
_OWN_NAMES = frozenset(name for name, _ in _OWN_HEADERS)
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
        if token is None and not _is_this_machine(scope.get("client")):
            text = "Open to this machine only. For the network: hotspot bench --listen ADDRESS"
            await _refuse(scope, receive, send, 403, text)
            return
        if token is not None and not _has_cookie(headers.get("cookie", ""), token):
            given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
            if scope["type"] == "http" and _same(given, token):
                await _welcome(scope, send, token)
            else:
                text = "Open the address that 'hotspot bench' has printed, token included."
                await _refuse(scope, receive, send, 401, text)
            return
        await self._app(scope, receive, _with_headers(send))


def _with_headers(send: Send) -> Send:
    """Return `send` with headers that keep other sites from showing the page within theirs.

    A page that works a supply must not be clicked through somebody else's.
    """

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            kept = [h for h in message.get("headers", []) if h[0].lower() not in _OWN_NAMES]
            message = {**message, "headers": [*kept, *_OWN_HEADERS]}
        await send(message)

    return sending


def _is_this_machine(client: Any) -> bool:
    """Whether a request comes from this machine; a socket without an address does."""
    if not client:
        return True
    try:
        address = ip_address(str(client[0]))
    except ValueError:
        return True  # a name of the server's own, such as that of a test or a local socket
    mapped = address.ipv4_mapped if isinstance(address, IPv6Address) else None
    return (mapped or address).is_loopback


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
