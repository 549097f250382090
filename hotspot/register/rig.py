"""A registration kept for a stand and working distance, and whether the board has moved since."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.errors import RegistrationError
from hotspot.register.automatic import is_trusted
from hotspot.register.edges import to_thermal_picture
from hotspot.register.fitting import fit_homography_algebraic
from hotspot.register.refine import Match, refine
from hotspot.register.registration import PlaneMap, Registration

# Below this a chip part is still itself; the blocks' own scatter is 0.2-0.5 px.
_STILL_PX = 0.75
# The search follows a nudge of the board; a board put in anew is farther off than this.
_REACH_PX = 12.0


@dataclass(frozen=True, slots=True, eq=False)
class RigCheck:
    """What became of a kept registration.

    Attributes
    ----------
    registration
        The kept one when the board lies still, the corrected one when it has moved.
    moved_px
        Greatest motion of the picture's corners and centre, thermal px.
    """

    registration: Registration
    moved_px: float


def check_rig(
    kept: Registration, *, kept_cold: FloatArray, cold: FloatArray, correct: bool = True
) -> RigCheck:
    """Compare a new baseline with the one that a kept registration was made on.

    Parameters
    ----------
    kept
        The kept registration; `photo_from_thermal` or `board_from_thermal` must be there.
    kept_cold, cold
        (rows, cols) baselines then and now, of one shape.
    correct
        Whether a board that has moved is followed; else it is refused.

    Raises
    ------
    RegistrationError
        If the board has moved and `correct` is off, has moved too far to be followed, or the two
        pictures have too little in common to tell.
    """
    if np.shape(kept_cold) != np.shape(cold):
        raise RegistrationError(
            f"the kept registration is for {_size(kept_cold)} pixels, the camera gives "
            f"{_size(cold)}",
            cure="Register again with this camera",
        )
    then, now = to_thermal_picture(kept_cold), to_thermal_picture(cold)
    match = refine(now, then, np.eye(3), radii=(12, 8, 4, 3))
    if match is None or not is_trusted(match):
        raise RegistrationError(
            "the picture no longer looks like the one the registration was made on: the board has "
            "moved far, or is another",
            cure="Register again: landmarks, touch points, or automatic",
        )
    moved = _corner_motion(match.matrix, then)
    if moved > _REACH_PX:
        raise RegistrationError(
            f"the board has moved: {moved:.0f} px, farther than can be followed",
            cure="Register again",
        )
    if moved <= _STILL_PX:
        still = f"the board lies within {max(moved, 0.1):.1f} px of where it lay when this was kept"
        return RigCheck(replace(kept, method="rig", support=still), moved)
    sentence = f"The board has moved: {moved:.0f} px"
    if not correct:
        raise RegistrationError(sentence, cure="Put it back, or register again")
    return RigCheck(_follow(kept, match, f"{sentence}; the registration was moved with it."), moved)


def _follow(kept: Registration, match: Match, sentence: str) -> Registration:
    motion = PlaneMap(match.matrix, match.correction_cov, rms_px=match.rms_px)
    photo, board = kept.photo_from_thermal, kept.board_from_thermal
    return replace(
        kept,
        method="rig",
        support="",
        photo_from_thermal=None if photo is None else _moved(photo, motion),
        board_from_thermal=None if board is None else _moved(board, motion),
        warnings=(*kept.warnings, sentence),
    )


def _moved(kept: PlaneMap, motion: PlaneMap) -> PlaneMap:
    """Return a kept map after a motion of the picture; a lens stays with the camera."""
    if kept.lens is None:
        return replace(kept.after(motion), outliers=())
    lens = kept.lens
    # The motion as a straight lens would show it: fitted to itself over the picture.
    seen = lens.grid_px()
    straight = fit_homography_algebraic(
        lens.straightened(seen), lens.straightened(motion.map(seen))
    )
    plain = replace(kept, lens=None, lens_cov=np.zeros(8))
    moved = plain.after(replace(motion, matrix=straight))
    return replace(moved, outliers=(), lens=lens, lens_cov=kept.lens_cov)


def _corner_motion(matrix: FloatArray, picture: NDArray[Any]) -> float:
    rows, cols = picture.shape
    points = np.array(
        [[0, 0], [cols - 1, 0], [cols - 1, rows - 1], [0, rows - 1], [cols / 2, rows / 2]]
    )
    moved = PlaneMap(matrix, np.zeros((8, 8))).map(points) - points
    return float(np.hypot(*moved.T).max())


def _size(array: FloatArray) -> str:
    rows, cols = np.shape(array)[:2]
    return f"{cols} × {rows}"
