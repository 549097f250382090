"""Touch points of a recording: touched with a warm tip in the order clicked on the photo."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.board import Board
from hotspot.checks import FloatArray
from hotspot.errors import RegistrationError
from hotspot.files.recordings import load_recording
from hotspot.heat.values import value_converter
from hotspot.register.touch import find_touches, fit_touches

_CHUNK = 64


def pair_touches(folder: Path, photo_clicks: FloatArray, *, board: Board | None) -> FloatArray:
    """Return (n, 4) landmarks: the touches of a recording, paired in order with clicks (n, 2).

    Raises
    ------
    RegistrationError
        If fewer or more touches are seen than places were clicked, or they fix no map.
    hotspot.errors.RecordingError
        If the recording cannot be used.
    """
    clicks = np.asarray(photo_clicks, dtype=np.float64).reshape(-1, 2)
    if len(clicks) < 3:
        raise RegistrationError(
            f"{len(clicks)} places are clicked on the photo", cure="Click three or more first"
        )
    recording = load_recording(folder)
    to_values = value_converter(recording)

    def chunks() -> Iterator[tuple[NDArray[Any], FloatArray]]:
        at = 0
        for chunk in recording.source.chunks(_CHUNK):
            yield to_values(chunk), recording.t_s[at : at + len(chunk)]
            at += len(chunk)

    touches = find_touches(chunks())
    fit_touches(touches, clicks, board=board)
    pairs: FloatArray = np.c_[np.array([t.xy_px for t in touches]), clicks]
    return pairs
