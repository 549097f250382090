"""Cameras on USB or behind a network address, through OpenCV; and what every camera can do."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any, Protocol
from urllib.parse import urlsplit

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.devices.capture import Capture, Grabber, open_attempts
from hotspot.errors import CameraError
from hotspot.frame import RawFrame
from hotspot.profile import CameraProfile, RawPlane, Values
from hotspot.radiometry import to_raw_plane

# FFmpeg, behind OpenCV, also opens local files, devices and pipes: only these are let through.
URL_SCHEMES = ("http", "https", "rtsp")
# A camera that gives nothing, or nothing of use, for this long is treated as gone. Opening takes
# longer: many send dark or green pictures first, and network streams wait for a key frame.
SILENT_S, OPENING_S = 3.0, 6.0
# Rows at the lower end that are plain where the picture was not: the rest of it did not arrive.
TORN_SHARE = 1 / 16
# Two frames are never of one time.
_TICK_S = 1e-4


class Camera(Protocol):
    """What gives frames at its own pace."""

    @property
    def profile(self) -> CameraProfile:
        """What its numbers mean."""

    def read(self) -> RawFrame:
        """Return the next frame; waits for it.

        Raises
        ------
        CameraError
            If it is unplugged, silent, or sends another format.
        """

    def close(self) -> None:
        """Let go of it."""


def check_url(url: str) -> str:
    """Return the address of a network camera if it may be opened.

    Raises
    ------
    CameraError
        For anything but http, https and rtsp with a host.
    """
    text = url.strip()
    try:
        parts = urlsplit(text)
        host = parts.hostname
    except ValueError as err:
        raise CameraError("is no address", where=text[:60], cure="Write rtsp://HOST/…") from err
    if parts.scheme.lower() not in URL_SCHEMES or not host or any(ord(c) < 33 for c in text):
        raise CameraError(
            "is no camera address that may be opened",
            where=text[:60],
            cure=f"Give one that begins with {', '.join(s + '://' for s in URL_SCHEMES)}",
        )
    return text


class CaptureCamera:
    """A camera that OpenCV opens: a USB index, a device path, or a network address.

    Asked for raw values first (``Y16``, no conversion to colour); what really comes decides the
    profile: 16-bit values are counts, one byte a pixel is grey video, colour is display video.
    Pairs of bytes are taken for 16-bit values only if the profile says so: a plain webcam sends
    brightness and colour that way.

    Single spoilt frames (one even colour, green or cut off below, another size) are left out and
    counted; a camera that sends nothing else for `SILENT_S` has failed.

    Parameters
    ----------
    source
        USB index, or an address that `check_url` lets through.
    name
        For messages.
    profile
        What calibration knows of it; its size and kind must be what the camera sends. A `raw_plane`
        is cut out of each frame.
    clock
        Time in s.
    open_capture
        Opens (source, back end, settings), as `cv2.VideoCapture` does.

    Attributes
    ----------
    spoilt
        Frames left out.
    repeated
        Frames equal to the one before in every pixel; they are given all the same.
    """

    def __init__(
        self,
        source: int | str,
        *,
        name: str = "",
        profile: CameraProfile | None = None,
        clock: Callable[[], float] = time.monotonic,
        open_capture: Callable[..., Capture] = cv2.VideoCapture,
    ) -> None:
        self.name = name or (f"USB camera {source}" if isinstance(source, int) else "stream")
        self.spoilt = self.repeated = 0
        self._clock = clock
        self._plane: RawPlane | None = None if profile is None else profile.raw_plane
        self._takes_pairs = profile is not None and profile.values is Values.COUNTS
        self._previous: NDArray[Any] | None = None
        self._like: tuple[tuple[int, ...], np.dtype[Any]] | None = None
        self._plain_below = False
        opened = self._open(
            source if isinstance(source, int) else check_url(source), profile, open_capture
        )
        self._grabber, self._profile, first = opened
        self._waiting: tuple[NDArray[Any], float] | None = first
        self._start_s = first[1]
        self._last_s = -_TICK_S
        self._index = 0

    @property
    def profile(self) -> CameraProfile:
        """What its numbers mean."""
        return self._profile

    @property
    def dropped(self) -> int:
        """Frames that came while nobody read."""
        return self._grabber.dropped

    def read(self) -> RawFrame:
        """Return the next frame.

        Raises
        ------
        CameraError
            If none comes, or only spoilt ones, or those of another format.
        """
        first, self._waiting = self._waiting, None
        picture, at_s = first or self._next(self._grabber, within_s=SILENT_S)
        if self._previous is not None and np.array_equal(picture, self._previous):
            self.repeated += 1
        self._previous = picture
        t_s = at_s - self._start_s
        if t_s <= self._last_s:  # a clock that jumped back: time goes on from where it was
            self._start_s -= self._last_s + _TICK_S - t_s
            t_s = self._last_s + _TICK_S
        self._last_s = t_s
        frame = RawFrame(counts=picture, t_s=t_s, index=self._index)
        self._index += 1
        return frame

    def close(self) -> None:
        """Let go of the camera."""
        self._grabber.close()

    def _next(self, grabber: Grabber, *, within_s: float) -> tuple[NDArray[Any], float]:
        """Return the next picture of use."""
        stop_s = time.monotonic() + within_s
        fault = ""
        while (left_s := stop_s - time.monotonic()) > 0:
            taken = grabber.take(timeout_s=left_s)
            if taken is None:
                if grabber.has_ended:
                    break
                continue
            picture, at_s = taken
            found, fault = self._judged(picture)
            if found is not None:
                return found, at_s
            self.spoilt += 1
        raise CameraError(
            fault or "gives no picture",
            where=self.name,
            cure="Check plug and cable; it is tried again",
        )

    def _judged(self, picture: NDArray[Any]) -> tuple[NDArray[Any] | None, str]:
        """Return the picture as recordings know it, or None and what is wrong with it."""
        frame = _to_frame(picture, takes_pairs=self._takes_pairs)
        if frame is None:
            return None, "sends pictures of no known form"
        if self._plane is not None:
            try:
                frame = to_raw_plane(frame[None], self._plane)[0]
            except ValueError as err:
                return None, f"the profile's raw_plane does not fit its pictures ({err})"
        if self._like is not None and (frame.shape, frame.dtype) != self._like:
            shape, _ = self._like
            return None, (
                f"sends {frame.shape[1]}×{frame.shape[0]} {frame.dtype} now, "
                f"{shape[1]}×{shape[0]} before"
            )
        if (frame == frame[0, 0]).all():
            return None, "sends pictures of one even colour only"
        if self._like is not None and not self._plain_below and _is_plain_below(frame):
            return None, "sends pictures that are cut off below"
        return frame, ""

    def _open(
        self,
        source: int | str,
        profile: CameraProfile | None,
        open_capture: Callable[..., Capture],
    ) -> tuple[Grabber, CameraProfile, tuple[NDArray[Any], float]]:
        size = None
        if profile is not None and self._plane is None:
            size = (profile.width, profile.height)
        wants_raw = None if profile is None else profile.values is Values.COUNTS
        refusal: CameraError | None = None
        for attempt in open_attempts(source, wants_raw=wants_raw, size=size):
            try:
                capture = open_capture(*attempt)
                if not capture.isOpened():
                    capture.release()
                    continue
            except cv2.error:
                continue
            grabber = Grabber(capture, clock=self._clock)
            try:
                first = self._next(grabber, within_s=OPENING_S)
                given = _describe(first[0], name=self.name)
                if profile is not None:
                    self._check(given, profile)
            except CameraError as err:
                refusal = err
                grabber.close()
                continue
            self._like = (first[0].shape, first[0].dtype)
            self._plain_below = _is_plain_below(first[0])
            return grabber, profile or given, first
        raise refusal or CameraError(
            "cannot be opened",
            where=self.name,
            cure="Check plug or address, and that no other program holds the camera",
        )

    def _check(self, given: CameraProfile, profile: CameraProfile) -> None:
        if (profile.shape, profile.values) != (given.shape, given.values):
            raise CameraError(
                f"sends {given.width}×{given.height} {given.values}, the profile says "
                f"{profile.width}×{profile.height} {profile.values}",
                where=self.name,
                cure="Choose the camera's own profile, or none",
            )


def _to_frame(picture: NDArray[Any], *, takes_pairs: bool) -> NDArray[Any] | None:
    """Return what OpenCV gave as the recordings know it: grey or 16-bit as is, colour as RGB."""
    if picture.dtype not in (np.uint8, np.uint16) or picture.ndim not in (2, 3):
        return None
    channels = picture.shape[2] if picture.ndim == 3 else 1
    if min(picture.shape[:2]) < 2:
        return None  # a packed stream that nobody unpacked
    if channels == 1:
        return picture.reshape(picture.shape[:2])
    if channels == 2 and picture.dtype == np.uint8 and takes_pairs:
        return np.ascontiguousarray(picture).view("<u2")[:, :, 0]  # two bytes a pixel: 16 bits
    if channels in (3, 4) and picture.dtype == np.uint8:
        return np.ascontiguousarray(picture[:, :, 2::-1])
    return None


def _is_plain_below(frame: NDArray[Any]) -> bool:
    """Return whether the lower end is of one value, as where the rest of a frame is missing.

    Raw values carry noise, so that this cannot be the scene; in 8-bit pictures it may well be,
    and only the green that missing brightness and colour decode to is taken for a fault.
    """
    rows = max(2, round(TORN_SHARE * frame.shape[0]))
    below = frame[-rows:]
    if not bool((below == below[-1, -1]).all()):
        return False
    if frame.dtype != np.uint8:
        return True
    if frame.ndim == 2:
        return False
    # Y, Cb and Cr of 0 clip to red 0, green about 135, blue 0 (ITU-R BT.601-7).
    red, green, blue = (int(v) for v in below[-1, -1])
    return red == 0 and blue == 0 and 100 <= green <= 180


def _describe(picture: NDArray[Any], *, name: str) -> CameraProfile:
    rows, columns = picture.shape[:2]
    if picture.ndim == 3:
        spread = np.ptp(picture.astype(np.int16), axis=2).max()
        values = Values.PALETTE8 if spread > 8 else Values.GREY8
    else:
        values = Values.GREY8 if picture.dtype == np.uint8 else Values.COUNTS
    return CameraProfile(name=name, width=columns, height=rows, values=values)
