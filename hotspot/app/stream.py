"""The live channel: pictures and what goes on, over one WebSocket, two messages in flight.

Messages to the page are binary. The first byte says what follows: 1 a picture (little endian:
u32 number at 4, f64 Unix time in ms at 8, u16 columns and rows at 16, f32 end of the colour scale
at 20, u32 flags at 24 (bit 0: a rise follows the values), then float32 values from 28, then the
rise as int16 in units of 1/1000 of the scale's end); 2 UTF-8 JSON of the state; 3 the board photo.
"""

from __future__ import annotations

import asyncio
import json
import struct
import time
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

import numpy as np
from starlette.routing import WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from hotspot.app.tickets import TicketOffice
from hotspot.bench.desk import LiveDesk
from hotspot.bench.live import LiveView
from hotspot.bench.picture import Shot
from hotspot.bench.supply_run import SupplyRun, SupplyRunState

PICTURE, STATE, PHOTO = 1, 2, 3
PATH = "/live/channel"
PROTOCOL = "hotspot.live.1"
STATE_EVERY_S = 0.2
# A page that does not answer for this long has gone to sleep; the channel is closed and it calls
# again when it wakes.
SILENT_S = 20.0
IN_FLIGHT = 2
RISE_STEPS = 1000.0


def to_picture_bytes(shot: Shot) -> bytes:
    """Return a picture as the page reads it."""
    rows, columns = shot.values.shape
    head: bytes = struct.pack(
        "<B3xIdHHfI", PICTURE, shot.number & 0xFFFFFFFF, 1e3 * shot.made_unix_s, columns, rows,
        shot.top, int(shot.rise is not None),
    )  # fmt: skip
    body: bytes = np.ascontiguousarray(shot.values, dtype="<f4").tobytes()
    if shot.rise is None:
        return head + body
    steps = np.clip(shot.rise * (RISE_STEPS / shot.top), -32000, 32000)
    steps_body: bytes = steps.astype("<i2").tobytes()
    return head + body + steps_body


def to_state_bytes(desk: LiveDesk, who: str) -> bytes:
    """Return what goes on as JSON."""
    return bytes([STATE]) + json.dumps(state_to_dict(desk, who), ensure_ascii=False).encode()


def to_signature(view: LiveView | None, *, is_owner: bool, run: SupplyRun | None) -> str:
    """Return what the page's buttons depend on: when it changes, the page is drawn anew."""
    if view is None:
        return "closed"
    state = view.state()
    driven = "" if run is None else f"{run.state().phase} {run.state().off_is_unknown}"
    return f"{state.baseline} {state.on} {bool(state.alarm)} {view.is_taping} {is_owner} {driven}"


def state_to_dict(desk: LiveDesk, who: str) -> dict[str, Any]:
    """Return what goes on as plain data, for one viewer."""
    view = desk.view
    signature = to_signature(view, is_owner=desk.is_owner(who), run=desk.run)
    if view is None:
        return {"signature": signature, "open": False}
    state = view.state()
    data = {**asdict(state), "signature": signature, "open": True}
    train = view.train
    data["cue"] = None if train is None else asdict(train.at(state.t_s))
    data["pulses"] = None if train is None else train.pulses
    data["alarm"] = desk.alarm
    data["supply"] = None if desk.run is None else _supply_to_dict(desk.run.state())
    return data


def _supply_to_dict(state: SupplyRunState) -> dict[str, Any]:
    return {
        "phase": state.phase.value,
        "step": state.step,
        "volts": state.volts,
        "amps": state.amps,
        "since_s": state.since_s,
        "length_s": state.length_s,
        "over": state.is_over,
    }


def build_routes(
    desk: LiveDesk, *, tickets: TicketOffice, photo: Callable[[], bytes | None]
) -> list[WebSocketRoute]:
    """Return the routes of the live channel.

    Parameters
    ----------
    desk
        Who has the camera.
    tickets
        Checks who asks.
    photo
        Returns the board photo (JPEG or PNG) of the job that the camera is open for.
    """

    async def channel(socket: WebSocket) -> None:
        offered = [p.strip() for p in socket.headers.get("sec-websocket-protocol", "").split(",")]
        # The ticket travels as a second "protocol": not in the address, so in no log.
        who = tickets.holder(offered[1]) if len(offered) == 2 else None
        if who is None or offered[0] != PROTOCOL:
            await socket.close(4401)
            return
        await socket.accept(subprotocol=PROTOCOL)
        try:
            await _serve(socket, desk, who=who, photo=photo)
        except (WebSocketDisconnect, TimeoutError, RuntimeError):
            return  # the page has gone

    return [WebSocketRoute(PATH, channel)]


async def _serve(
    socket: WebSocket, desk: LiveDesk, *, who: str, photo: Callable[[], bytes | None]
) -> None:
    loop = asyncio.get_running_loop()
    fresh = asyncio.Event()

    def wake() -> None:
        # A loop that has just closed has nobody to wake.
        if not loop.is_closed():
            loop.call_soon_threadsafe(fresh.set)

    sent, sent_view, stated_s = 0, None, 0.0
    post = _Post(socket)
    with desk.watching(who, wake):
        while True:
            view = desk.view
            if view is not sent_view:
                picture = await asyncio.to_thread(photo) if view is not None else None
                await post.send(bytes([PHOTO]) + (picture or b""))
                sent_view, sent = view, 0
            if time.monotonic() - stated_s >= STATE_EVERY_S:
                await post.send(to_state_bytes(desk, who))
                stated_s = time.monotonic()
            shot = desk.newest
            if shot is not None and view is not None and shot.number != sent:
                sent = shot.number
                await post.send(to_picture_bytes(shot))
                continue
            fresh.clear()
            try:
                await asyncio.wait_for(fresh.wait(), STATE_EVERY_S)
            except TimeoutError:
                continue


class _Post:
    """Sends messages; the page gives its word for each one that it has drawn.

    One message may be under way while the page draws another: with one alone, each picture that
    took longer than a frame's time to be drawn and answered would cost the next one.
    """

    def __init__(self, socket: WebSocket) -> None:
        self._socket = socket
        self._unanswered = 0

    async def send(self, message: bytes) -> None:
        """Send, and wait until no more than one message is unanswered: no queue anywhere."""
        await self._socket.send_bytes(message)
        self._unanswered += 1
        while self._unanswered >= IN_FLIGHT:
            await asyncio.wait_for(self._socket.receive_text(), SILENT_S)
            self._unanswered -= 1
