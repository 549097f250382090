"""Mean pictures just before and just after moments of a recording, by a second reading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.frame import Recording
from hotspot.heat.ahead import Converter
from hotspot.heat.scan import CHUNK

# Frames a mean picture is made of, at most: more lowers the noise, but heat goes on meanwhile.
FRAMES = 24


@dataclass(frozen=True, slots=True, eq=False)
class Surroundings:
    """Mean pictures around a moment.

    Attributes
    ----------
    before, after
        Early and late mean picture of each side; the late one before and the early one after lie
        next to the moment.
    frames
        Frames in each of the four.
    """

    before: tuple[NDArray[np.float32], NDArray[np.float32]]
    after: tuple[NDArray[np.float32], NDArray[np.float32]]
    frames: int


def build_windows(
    usable: NDArray[np.intp], spans: Sequence[tuple[int, int]]
) -> list[list[NDArray[np.intp]] | None]:
    """Return the frames of the four mean pictures around each moment.

    Parameters
    ----------
    usable
        (m,) frame indices.
    spans
        For each moment, the positions (first changed, first settled) in `usable`, in order.

    Returns
    -------
    list
        Four index arrays each, or None where less than 2 frames lie on a side.
    """
    out: list[list[NDArray[np.intp]] | None] = []
    for i, (first, settled) in enumerate(spans):
        start = spans[i - 1][1] if i else 0
        stop = spans[i + 1][0] if i + 1 < len(spans) else len(usable)
        half = min(FRAMES, (first - start) // 2, (stop - settled) // 2)
        if half < 1:
            out.append(None)
            continue
        out.append(
            [
                usable[first - 2 * half : first - half],
                usable[first - half : first],
                usable[settled : settled + half],
                usable[settled + half : settled + 2 * half],
            ]
        )
    return out


def read_surroundings(
    recording: Recording,
    windows: Sequence[list[NDArray[np.intp]] | None],
    *,
    to_values: Converter,
    gain: FloatArray,
    offset: FloatArray,
) -> list[Surroundings | None]:
    """Read the recording again, no further than needed, and average the frames asked for.

    Memory is four pictures a moment; the caller bounds the number of moments.
    """
    rows, cols = recording.source.shape[:2]
    wanted: dict[int, list[NDArray[np.float64]]] = {}
    sums: list[list[NDArray[np.float64]] | None] = []
    for window in windows:
        planes = None if window is None else [np.zeros((rows, cols)) for _ in window]
        sums.append(planes)
        for plane, frames in zip(planes or [], window or [], strict=True):
            for frame in frames:
                wanted.setdefault(int(frame), []).append(plane)
    last = max(wanted, default=-1)
    first = 0
    for raw in recording.source.chunks(CHUNK):
        if first > last:
            break
        here = [k for k in range(len(raw)) if first + k in wanted]
        if here:
            for k, values in zip(here, to_values(raw[here]), strict=True):
                i = first + k
                picture = values if np.isfinite(values.sum()) else np.nan_to_num(values, nan=0.0)
                if gain[i] != 1 or offset[i] != 0:
                    picture = ((picture - offset[i]) / gain[i]).astype(np.float32)
                for plane in wanted[i]:
                    cv2.accumulate(picture, plane)
        first += len(raw)
    out: list[Surroundings | None] = []
    for sum_, window in zip(sums, windows, strict=True):
        if sum_ is None or window is None:
            out.append(None)
            continue
        m = [(s / len(w)).astype(np.float32) for s, w in zip(sum_, window, strict=True)]
        out.append(Surroundings((m[0], m[1]), (m[2], m[3]), len(window[0])))
    return out
