"""The live picture as a component of the page."""

from __future__ import annotations

from importlib import resources
from typing import Any

import streamlit as st

from hotspot.app import shared, shell
from hotspot.app.colours import to_base64
from hotspot.app.stream import PATH, PROTOCOL, to_signature
from hotspot.checks import FloatArray


def _asset(name: str) -> str:
    return resources.files("hotspot.app").joinpath(name).read_text(encoding="utf-8")


def live_view(
    *,
    view: str,
    shown: str,
    colours: str,
    matrix: FloatArray | None,
    sound: bool = False,
) -> None:
    """Show the live picture.

    Parameters
    ----------
    view
        "photo" or "thermal".
    shown
        "rise" or "temperature".
    colours
        Name of the colour map.
    matrix
        (3, 3) photo px from thermal px, None when not registered.
    sound
        Whether cues and alarms are heard.
    """
    component = st.components.v2.component(
        "hotspot_live",
        html=_asset("live_view.html"),
        css=_asset("live_view.css"),
        js=_asset("live_view.js"),
    )
    desk = shared.desk()
    data: dict[str, Any] = {
        "path": PATH,
        "protocol": PROTOCOL,
        "ticket": shared.tickets().issue(shell.who()),
        "lut": to_base64(colours),
        "view": view,
        "shown": shown,
        "sound": sound,
        "signature": to_signature(desk.view, is_owner=desk.is_owner(shell.who()), run=desk.run),
        "matrix": None if matrix is None else [float(v) for v in matrix.ravel()],
    }
    component(data=data, key="live", on_renew_change=lambda: None, on_changed_change=lambda: None)
