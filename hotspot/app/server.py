"""The server of the bench app: Streamlit, the live channel, and the gate in front of both."""

from __future__ import annotations

import os
import secrets
import socket
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from starlette.middleware import Middleware
from starlette.routing import BaseRoute

from hotspot.app import shared
from hotspot.app.gate import LOOPBACK, Gate, Rules
from hotspot.app.stream import build_routes

SCRIPT = Path(__file__).with_name("main.py")
TOKEN_VARIABLE = "HOTSPOT_BENCH_TOKEN"
THEME = {
    "theme.baseFontSize": 17,
    "theme.baseRadius": "0.5rem",
    "theme.light.primaryColor": "#1f6f78",
    "theme.dark.primaryColor": "#4fb3bf",
}


def routes() -> Sequence[BaseRoute]:
    """Return the app's own routes."""
    return build_routes(shared.desk(), tickets=shared.tickets(), photo=shared.live_photo)


def middleware(rules: Rules | None = None) -> list[Middleware]:
    """Return what stands in front of every request."""
    return [Middleware(Gate, rules=rules or Rules())]


def to_rules(address: str, *, names: Sequence[str] = ()) -> Rules:
    """Return who may come in when the server listens on `address`.

    On loopback, this machine alone. Anywhere else a token is asked for: the one in
    HOTSPOT_BENCH_TOKEN, else a new one.
    """
    if address in LOOPBACK:
        return Rules()
    token = os.environ.get(TOKEN_VARIABLE, "").strip() or secrets.token_urlsafe(24)
    own = {address.lower(), socket.gethostname().lower(), *(n.lower() for n in names)}
    return Rules(hosts=(*LOOPBACK, *sorted(own - {"0.0.0.0", "::"})), token=token)


def to_config(*, address: str, port: int, browser: bool) -> dict[str, Any]:
    """Return Streamlit's settings."""
    return {
        "server.address": address,
        "server.port": port,
        "server.headless": not browser,
        "server.fileWatcherType": "none",
        "server.maxUploadSize": 64,
        "browser.gatherUsageStats": False,
        "browser.serverAddress": address,
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
        **THEME,
    }


def serve(*, address: str, port: int, browser: bool, rules: Rules) -> None:
    """Serve the app until it is stopped."""
    import streamlit as st

    app = st.App(SCRIPT, routes=routes(), middleware=middleware(rules))
    app.run(config=to_config(address=address, port=port, browser=browser))
