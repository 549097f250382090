"""Cameras on USB or behind a network address, through OpenCV; and what every camera can do."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol
from urllib.parse import urlsplit

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.errors import CameraError
from hotspot.frame import RawFrame
from hotspot.profile import CameraProfile, RawPlane, Values
from hotspot.radiometry import to_raw_plane

# FFmpeg, behind OpenCV, also opens local files, devices and pipes: only these are let through.
URL_SCHEMES = ("http", "https", "rtsp")
# A network camera that is silent for this long is treated as gone.
OPEN_MS, READ_MS = 4000, 3000


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


@dataclass(frozen=True, slots=True)
class _Opened:
    capture: Any
    first: NDArray[Any]


class CaptureCamera:
    """A camera that OpenCV opens: a USB index, a device path, or a network address.

    Asked for 16 bits first (``Y16``, no conversion to colour); what really comes decides the
    profile: two bytes a pixel are counts, one byte is grey video, colour is display video.

    Parameters
    ----------
    source
        USB index, or an address that `check_url` lets through.
    name
        For messages.
    profile
        What calibration knows of it; its size and kind must be what the camera sends.
    clock
        Time in s.
    """

    def __init__(
        self,
        source: int | str,
        *,
        name: str = "",
        profile: CameraProfile | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.name = name or (f"USB camera {source}" if isinstance(source, int) else "stream")
        self._clock = clock
        opened = self._open(source)
        self._capture = opened.capture
        self._plane: RawPlane | None = None if profile is None else profile.raw_plane
        first = self._plane_of(opened.first)
        given = _describe(first, name=self.name)
        if profile is not None and (profile.shape != given.shape or profile.values != given.values):
            self._capture.release()
            raise CameraError(
                f"sends {given.width}×{given.height} {given.values}, the profile says "
                f"{profile.width}×{profile.height} {profile.values}",
                where=self.name,
                cure="Choose the camera's own profile, or none",
            )
        self._profile = profile or given
        self._waiting: NDArray[Any] | None = first
        self._start_s = clock()
        self._index = 0

    @property
    def profile(self) -> CameraProfile:
        """What its numbers mean."""
        return self._profile

    def read(self) -> RawFrame:
        """Return the next frame.

        Raises
        ------
        CameraError
            If none comes, or one of another format.
        """
        picture, self._waiting = self._waiting, None
        if picture is None:
            picture = self._grab()
        if picture.shape[:2] != self._profile.shape:
            raise CameraError(
                f"sends {picture.shape[1]}×{picture.shape[0]} now, "
                f"{self._profile.width}×{self._profile.height} before",
                where=self.name,
                cure="Open it again",
            )
        frame = RawFrame(counts=picture, t_s=self._clock() - self._start_s, index=self._index)
        self._index += 1
        return frame

    def close(self) -> None:
        """Let go of the camera."""
        self._capture.release()

    def _grab(self) -> NDArray[Any]:
        try:
            good, picture = self._capture.read()
        except cv2.error as err:
            raise self._gone() from err
        if not good or picture is None:
            raise self._gone()
        return self._plane_of(_to_frame(picture))

    def _plane_of(self, picture: NDArray[Any]) -> NDArray[Any]:
        """Return the raw plane of a stacked frame, where the profile names one."""
        if self._plane is None:
            return picture
        plane: NDArray[Any] = to_raw_plane(picture[None], self._plane)[0]
        return plane

    def _gone(self) -> CameraError:
        return CameraError(
            "gives no picture", where=self.name, cure="Check plug and cable; it is tried again"
        )

    def _open(self, source: int | str) -> _Opened:
        limits = [cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, OPEN_MS, cv2.CAP_PROP_READ_TIMEOUT_MSEC, READ_MS]
        attempts: list[tuple[int | str, int, list[int]]] = []
        if isinstance(source, int):
            raw = [cv2.CAP_PROP_CONVERT_RGB, 0]
            y16 = [*raw, cv2.CAP_PROP_FOURCC, cv2.VideoWriter.fourcc(*"Y16 ")]
            attempts = [(source, cv2.CAP_V4L2, y16), (source, cv2.CAP_ANY, [])]
        else:
            attempts = [(check_url(source), cv2.CAP_FFMPEG, limits)]
        for address, backend, settings in attempts:
            try:
                capture = cv2.VideoCapture(address, backend, settings)
                good, picture = capture.read() if capture.isOpened() else (False, None)
            except cv2.error:
                continue
            if good and picture is not None and picture.ndim >= 2 and picture.shape[0] > 1:
                return _Opened(capture, _to_frame(picture))
            capture.release()
        raise CameraError(
            "cannot be opened",
            where=self.name,
            cure="Check plug or address, and that no other program holds the camera",
        )


def _to_frame(picture: NDArray[Any]) -> NDArray[Any]:
    """Return what OpenCV gave as the recordings know it: grey or 16-bit as is, colour as RGB."""
    if picture.ndim == 3 and picture.shape[2] == 1:
        return picture[:, :, 0]
    if picture.ndim == 3 and picture.shape[2] == 2 and picture.dtype == np.uint8:
        return np.ascontiguousarray(picture).view("<u2")[:, :, 0]  # two bytes a pixel: 16 bits
    if picture.ndim == 3:
        return np.ascontiguousarray(picture[:, :, 2::-1])
    return picture


def _describe(picture: NDArray[Any], *, name: str) -> CameraProfile:
    rows, columns = picture.shape[:2]
    if picture.ndim == 3:
        spread = np.ptp(picture.astype(np.int16), axis=2).max()
        values = Values.PALETTE8 if spread > 8 else Values.GREY8
    else:
        values = Values.GREY8 if picture.dtype == np.uint8 else Values.COUNTS
    return CameraProfile(name=name, width=columns, height=rows, values=values)
