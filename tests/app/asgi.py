"""A browser of a few lines: asks an ASGI application straight, without a server."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Any

HOST = "127.0.0.1:8501"


@dataclass
class Answer:
    status: int
    headers: dict[str, str]
    text: str


def scope(kind: str, path: str, headers: dict[str, str]) -> dict[str, Any]:
    raw_path, _, query = path.partition("?")
    return {
        "type": kind, "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "GET",
        "scheme": "http" if kind == "http" else "ws", "path": raw_path, "root_path": "",
        "raw_path": raw_path.encode(), "query_string": query.encode(),
        "server": ("127.0.0.1", 8501), "client": ("127.0.0.1", 5), "subprotocols": [],
        "headers": [(k.lower().encode(), v.encode("latin-1")) for k, v in headers.items()],
    }  # fmt: skip


def get(app: Any, path: str = "/", *, client: str = "127.0.0.1", **headers: str) -> Answer:
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    asked = {**scope("http", path, {"host": HOST, **headers}), "client": (client, 5)}
    asyncio.run(app(asked, receive, send))
    found = {k.decode(): v.decode() for k, v in sent[0]["headers"]}
    body = b"".join(m.get("body", b"") for m in sent[1:])
    return Answer(sent[0]["status"], found, body.decode())


def listen(
    app: Any, path: str, *, offered: list[str] | None = None, messages: int = 1, **headers: str
) -> tuple[int | None, list[bytes]]:
    """Open a WebSocket, answer each message; return the close code and what came."""
    got: list[bytes] = []
    closed: list[int] = []
    answers: asyncio.Queue[dict[str, Any]]

    async def run() -> None:
        nonlocal answers
        answers = asyncio.Queue()
        await answers.put({"type": "websocket.connect"})
        both = {"host": HOST, **headers}
        if offered:
            both["sec-websocket-protocol"] = ", ".join(offered)

        async def send(message: dict[str, Any]) -> None:
            if message["type"] == "websocket.close":
                closed.append(message["code"])
            elif message["type"] == "websocket.send":
                got.append(message["bytes"])
                done = len(got) >= messages
                kind = "websocket.disconnect" if done else "websocket.receive"
                await answers.put({"type": kind, "text": ".", "code": 1001})

        one = scope("websocket", path, both)
        one["subprotocols"] = offered or []
        await asyncio.wait_for(app(one, answers.get, send), 20)

    asyncio.run(run())
    return (closed[0] if closed else None), got
