"""A picture to click on: landmarks with zoom, drag, arrow keys and undo; boxes for parts."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from importlib import resources
from typing import Any

import streamlit as st

Event = Mapping[str, Any]


def _asset(name: str) -> str:
    return resources.files("hotspot.app").joinpath(name).read_text(encoding="utf-8")


def picture_marks(
    picture: bytes,
    *,
    size: tuple[int, int],
    title: str,
    mode: str,
    key: str,
    on_event: Callable[[Event], None],
    marks: Sequence[Mapping[str, Any]] = (),
    boxes: Sequence[Mapping[str, Any]] = (),
) -> None:
    """Show a picture to click on.

    Parameters
    ----------
    picture
        PNG or JPEG; it may be smaller than `size`.
    size
        (columns, rows) in which coordinates count.
    title
        Alternative text.
    mode
        "point", "box" or "look".
    key
        Of the widget.
    on_event
        Called with ``{"op": "add" | "move" | "remove" | "undo" | "box" | "shift" | "size", ...}``:
        marks by their ``index``, boxes by their ``ref``.
    marks
        ``{"x", "y", "wrong"}`` each.
    boxes
        ``{"corners", "label", "strong", "square"}`` each; square ones can be sized.
    """
    component = st.components.v2.component(
        "hotspot_marks",
        html=_asset("picture_marks.html"),
        css=_asset("picture_marks.css"),
        js=_asset("picture_marks.js"),
    )
    kind = "png" if picture.startswith(b"\x89PNG") else "jpeg"

    def changed() -> None:
        event = st.session_state[key].get("event")
        if isinstance(event, Mapping) and isinstance(event.get("op"), str):
            on_event(event)

    data = {
        "src": f"data:image/{kind};base64,{base64.b64encode(picture).decode()}",
        "width": size[0],
        "height": size[1],
        "title": title,
        "mode": mode,
        "marks": [dict(m) for m in marks],
        "boxes": [dict(b) for b in boxes],
    }
    component(data=data, key=key, on_event_change=changed)
