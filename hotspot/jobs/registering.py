"""Register one recording by what it brings: landmarks, a kept registration, or its picture."""

from __future__ import annotations

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
from hotspot.files.recordings import load_recording
from hotspot.files.registrations import load_registration
from hotspot.frame import Recording
from hotspot.register.automatic import register_automatically
from hotspot.register.from_landmarks import fit_registration, leave_one_out_px
from hotspot.register.registration import Registration
from hotspot.register.rig import check_rig

_MOST_COLD_FRAMES = 50  # two seconds: noise falls sevenfold, drift does not blur edges
_FIRST_FRAMES = 10  # without a log: before anyone can have switched on


@dataclass(frozen=True, slots=True, eq=False)
class Registered:
    """A registration and what it was made from.

    Attributes
    ----------
    registration
        As fitted.
    cold
        (rows, cols) float32 mean of the first cold frames.
    photo
        (rows, cols, 3) uint8 RGB, or None.
    board
        The board pack, or None.
    landmarks
        (n, 4) landmarks that it was fitted to; (0, 4) when it was made otherwise.
    """

    registration: Registration
    cold: NDArray[np.float32]
    photo: NDArray[np.uint8] | None
    board: Board | None
    landmarks: NDArray[Any]

    @property
    def from_others_px(self) -> tuple[tuple[float, float], ...]:
        """Each landmark's distance from the map of the others: thermal px, photo px."""
        fitted = self.registration.photo_from_thermal
        if self.registration.method != "landmarks" or fitted is None:
            return ()
        return tuple(
            zip(
                leave_one_out_px(fitted, self.landmarks[:, :2]),
                fitted.leave_one_out_px,
                strict=True,
            )
        )

    @property
    def is_checked(self) -> bool:
        """Whether there are more landmarks than fit any map, so that the residual says something.

        Two always fit a similarity and three an affine map.
        """
        fitted = self.registration.photo_from_thermal
        left_out = 0 if fitted is None else len(fitted.outliers)
        return self.registration.method != "landmarks" or len(self.landmarks) - left_out > 3


def build_cold(recording: Recording) -> NDArray[np.float32]:
    """Return the (rows, cols) mean of the first cold frames; colour frames as grey."""
    count = _FIRST_FRAMES
    if recording.injection is not None and recording.injection.on.any():
        first_on = float(recording.injection.t_s[int(np.argmax(recording.injection.on))])
        before = int(np.searchsorted(recording.t_s, first_on))
        count = int(np.clip(before, 1, _MOST_COLD_FRAMES))
    frames = next(iter(recording.source.chunks(count))).astype(np.float64)
    if frames.ndim == 4:
        frames = frames.mean(axis=3)
    mean: NDArray[np.float32] = np.nanmean(frames, axis=0).astype(np.float32)
    return mean


def register_recording(
    folder: Path,
    *,
    board_folder: Path | None = None,
    kept: Path | None = None,
    automatic: bool = False,
) -> Registered:
    """Register a recording.

    A kept registration is checked and used; else the recording's landmarks are; without any, or
    when asked for, the picture itself.

    Parameters
    ----------
    folder, board_folder
        The recording and the board pack (the one named in the recording when None).
    kept
        A saved registration to check and use.
    automatic
        Leave the recording's landmarks aside.

    Raises
    ------
    HotspotError
        If an input cannot be used, or the clicks cannot fix a map.
    """
    recording = load_recording(folder)
    named = Path(recording.board) if recording.board else None
    where = board_folder or (named if named is not None and named.is_dir() else None)
    board = load_board(where) if where is not None else None
    photo = load_photo(board) if board is not None and board.photo is not None else None
    cold = build_cold(recording)
    landmarks: FloatArray = np.zeros((0, 4))
    if kept is not None:
        registration, kept_cold = load_registration(kept)
        if kept_cold is None:
            raise RegistrationError(
                "the kept registration has no baseline to check against",
                where=str(kept),
                cure="Save it again with --save",
            )
        registration = check_rig(registration, kept_cold=kept_cold, cold=cold).registration
    elif len(recording.landmarks) and not automatic:
        landmarks = recording.landmarks
        registration = fit_registration(landmarks, board, shape=cold.shape)
    else:
        registration = register_automatically(cold, photo=photo, board=board)
    return Registered(registration, cold, photo, board, landmarks)
