"""From a recording to time bins: every usable frame, aligned and levelled, added once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.frame import Recording
from hotspot.heat.ahead import read_ahead
from hotspot.heat.audit import FrameAudit
from hotspot.heat.bins import BinnedFrames, BinSums

# Smaller displacements are left to the drift patterns, which hold the gradient of the picture.
ALIGN_FROM_PX = 0.02
# Frames read at a time: no more than caches and memory like.
MOST_FRAMES, CHUNK_PIXELS = 64, 2**22


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """Frames gathered, with all that is known of them.

    Attributes
    ----------
    recording
        What was noted with them; its frames are not read again.
    audit
        What each frame is worth.
    bins
        Their time bins.
    """

    recording: Recording
    audit: FrameAudit
    bins: BinnedFrames


def gather_bins(
    recording: Recording,
    audit: FrameAudit,
    *,
    to_values: Callable[[NDArray[Any]], NDArray[np.float32]],
    progress: Callable[[float], None] | None = None,
) -> BinnedFrames:
    """Return the time bins of all usable frames, reading the recording once.

    Parameters
    ----------
    recording
        The recording.
    audit
        What each frame is worth.
    to_values
        Raw chunk (n, rows, cols[, 3]) to float32 values (n, rows, cols).
    progress
        Called with the share done, 0 to 1.
    """
    sums = BinSums(recording.profile.shape)
    total = len(audit.used)
    index = 0
    pixels = int(np.prod(recording.profile.shape))
    size = int(np.clip(CHUNK_PIXELS // pixels, 1, MOST_FRAMES))
    for _, values in read_ahead(recording, to_values=to_values, size=size):
        for picture in values:
            if index >= total:
                break
            if audit.used[index]:
                levelled = level_and_align(
                    picture,
                    gain=float(audit.gain[index]),
                    offset=float(audit.offset[index]),
                    shift_px=audit.shift_px[index],
                )
                sums.add(
                    levelled,
                    t_s=float(audit.t_s[index]),
                    segment=int(audit.segment[index]),
                )
            else:
                sums.skip()
            index += 1
        if progress is not None:
            progress(index / max(1, total))
    return sums.result()


def level_and_align(
    picture: NDArray[np.float32], *, gain: float, offset: float, shift_px: NDArray[Any]
) -> NDArray[np.float32]:
    """Return a frame with its display gain undone and its displacement taken back.

    Parameters
    ----------
    picture
        (rows, cols) float32.
    gain, offset
        Display values are ``gain * true + offset``.
    shift_px
        (2,) displacement (x, y) of the content against the first frames.
    """
    if gain != 1.0 or offset != 0.0:
        picture = (picture - np.float32(offset)) / np.float32(gain)
    dx, dy = float(shift_px[0]), float(shift_px[1])
    if abs(dx) > ALIGN_FROM_PX or abs(dy) > ALIGN_FROM_PX:
        matrix = np.array([[1.0, 0.0, dx], [0.0, 1.0, dy]])
        picture = cv2.warpAffine(
            picture,
            matrix,
            (picture.shape[1], picture.shape[0]),
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        ).astype(np.float32)
    return picture
