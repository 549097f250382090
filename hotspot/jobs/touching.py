"""Register a recording in which places on the board were touched with a warm tip."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.board import Board
from hotspot.checks import FloatArray
from hotspot.errors import RegistrationError
from hotspot.evidence.registration import load_photo
from hotspot.files.boards import load_board
from hotspot.files.landmarks import load_photo_clicks
from hotspot.files.recordings import load_recording
from hotspot.frame import Recording
from hotspot.heat.values import value_converter
from hotspot.register.registration import Registration
from hotspot.register.touch import TouchEvent, find_touches
from hotspot.register.touch_pairs import Pairing, fit_touches, match_touches, to_landmarks

_CHUNK = 64  # frames


@dataclass(frozen=True, slots=True, eq=False)
class Touched:
    """Touches read from a recording, and the registration they make.

    Attributes
    ----------
    touches, clicks, pairing
        As found and clicked, and which belong together; `clicks` (n, 2) photo px.
    landmarks
        (n, 4) of the pairs.
    registration
        Made of the landmarks.
    picture
        (rows, cols) float32: the mean of the first frames.
    photo
        (rows, cols, 3) uint8 RGB, or None.
    """

    touches: tuple[TouchEvent, ...]
    clicks: FloatArray
    pairing: Pairing
    landmarks: FloatArray
    registration: Registration
    picture: NDArray[np.float32]
    photo: NDArray[np.uint8] | None


def register_touched(
    folder: Path,
    clicks: Path,
    *,
    board_folder: Path | None = None,
    progress: Callable[[float, str], None] | None = None,
) -> Touched:
    """Find the touches in a recording and pair them with clicks on the photo.

    Parameters
    ----------
    folder
        The recording.
    clicks
        CSV file ``photo_x_px,photo_y_px``, one line a place, in the order of touching.
    board_folder
        The board pack; the one named in the recording when None.
    progress
        Called with the share done and what is being done.

    Raises
    ------
    HotspotError
        If an input cannot be used, nothing was touched, or the touches do not fit the clicks.
    """
    places = load_photo_clicks(clicks)
    recording = load_recording(folder)
    named = Path(recording.board) if recording.board else None
    where = board_folder or (named if named is not None and named.is_dir() else None)
    board: Board | None = load_board(where) if where is not None else None
    photo = load_photo(board) if board is not None and board.photo is not None else None
    if photo is not None:
        _check_on_photo(places, photo, clicks)
    touches, picture = _find(recording, progress)
    pairing = match_touches(touches, places)
    return Touched(
        touches=touches,
        clicks=places,
        pairing=pairing,
        landmarks=to_landmarks(touches, places, pairing=pairing),
        registration=fit_touches(touches, places, board=board),
        picture=picture,
        photo=photo,
    )


def pair_touches(folder: Path, photo_clicks: FloatArray, *, board: Board | None) -> FloatArray:
    """Return (n, 4) landmarks: the touches of a recording, paired in order with clicks (n, 2).

    Raises
    ------
    RegistrationError
        If fewer or more touches are seen than places were clicked and it cannot be told which has
        no partner, or they fix no map.
    hotspot.errors.RecordingError
        If the recording cannot be used.
    """
    clicks = np.asarray(photo_clicks, dtype=np.float64).reshape(-1, 2)
    if len(clicks) < 3:
        raise RegistrationError(
            f"{len(clicks)} places are clicked on the photo", cure="Click three or more first"
        )
    touches, _ = _find(load_recording(folder), None)
    fit_touches(touches, clicks, board=board)
    return to_landmarks(touches, clicks, pairing=match_touches(touches, clicks))


def _find(
    recording: Recording, progress: Callable[[float, str], None] | None
) -> tuple[tuple[TouchEvent, ...], NDArray[np.float32]]:
    """Return the touches of a recording and the mean of its first frames."""
    first: list[NDArray[np.float32]] = []
    touches = find_touches(_chunks(recording, first, progress))
    if not touches:
        raise RegistrationError(
            "no touch was seen",
            where=recording.name,
            cure="Touch with a tip that is 10 K or more warmer than the board, a second each",
        )
    return touches, first[0]


def _chunks(
    recording: Recording,
    first: list[NDArray[np.float32]],
    progress: Callable[[float, str], None] | None,
) -> Iterator[tuple[NDArray[Any], FloatArray]]:
    to_values = value_converter(recording)
    at, total = 0, len(recording.t_s)
    for raw in recording.source.chunks(_CHUNK):
        values = to_values(raw)
        if not first:
            first.append(np.nanmean(values[:10], axis=0).astype(np.float32))
        yield values, recording.t_s[at : at + len(values)]
        at += len(values)
        if progress is not None:
            progress(at / max(1, total), "looking for touches")


def _check_on_photo(places: FloatArray, photo: NDArray[np.uint8], clicks: Path) -> None:
    rows, cols = photo.shape[:2]
    outside = ((places < -0.5) | (places > np.array([cols, rows]) - 0.5)).any(axis=1)
    if outside.any():
        raise RegistrationError(
            f"place {int(np.argmax(outside)) + 1} lies outside the photo of {cols} x {rows} px",
            where=str(clicks),
            cure="Give places in pixels of the board's photo",
        )
