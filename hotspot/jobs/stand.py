"""A registration kept for a stand: camera and board holder fixed, the next board of the type in it.

Kept is how the thermal picture lay on the photo, and the baseline it was made on. Used again, the
new baseline is compared with that one: a board that lies a little otherwise is followed, and said.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from hotspot.checks import FloatArray
from hotspot.errors import InputError, RegistrationError
from hotspot.files.registrations import load_registration, save_registration
from hotspot.register.registration import PlaneMap, Registration
from hotspot.register.rig import check_rig

# Landmarks that stand for a kept map: at these shares of the thermal picture's width and height.
# Six say as much of its error as the four to eight clicks that maps are made from.
_ACROSS, _DOWN = (0.12, 0.5, 0.88), (0.12, 0.88)
_NAME = re.compile(r"[^a-z0-9]+")


@dataclass(frozen=True, slots=True, eq=False)
class StandFit:
    """A kept registration, held against a new baseline.

    Attributes
    ----------
    landmarks
        (n, 4) thermal and photo px, moved with the board.
    moved_px
        Greatest motion since it was kept, thermal px.
    has_moved
        Whether that is more than the comparison's own scatter.
    """

    landmarks: FloatArray
    moved_px: float
    has_moved: bool

    @property
    def says(self) -> str:
        """One sentence for the technician."""
        if self.has_moved:
            return f"the board has moved: {self.moved_px:.0f} px; the landmarks moved with it"
        return f"the board lies as it did, within {max(self.moved_px, 0.1):.1f} px"


def keep_stand(
    folder: Path, name: str, *, photo: Path, registration: Registration, cold: FloatArray
) -> str:
    """Keep a registration under a stand's name, and return the name as kept.

    Parameters
    ----------
    folder
        Of all stands.
    name
        As typed; letters and digits count.
    photo
        The board photo that the registration leads to.
    registration
        With `photo_from_thermal`.
    cold
        (rows, cols) baseline that it was made on.

    Raises
    ------
    InputError
        If the name holds no letter or digit, or nothing can be written.
    """
    kept = _NAME.sub("-", name.casefold()).strip("-")[:40]
    if not kept:
        raise InputError("has no letter or digit", where="stand", cure="Write for example left arm")
    if registration.photo_from_thermal is None:
        raise InputError("nothing lies on the photo yet", where="stand", cure="Set landmarks first")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        save_registration(_path(folder, kept, photo), registration, cold=cold)
    except OSError as err:
        raise InputError(f"cannot be written: {err.strerror}", where=str(folder)) from err
    return kept


def list_stands(folder: Path, *, photo: Path) -> tuple[str, ...]:
    """Return the names of the stands kept for a board photo."""
    ending = f"@{_digest(photo)}.json"
    return tuple(sorted(p.name.removesuffix(ending) for p in folder.glob(f"*{ending}")))


def fit_stand(folder: Path, name: str, *, photo: Path, cold: FloatArray) -> StandFit:
    """Hold a kept registration against a new baseline (rows, cols).

    Raises
    ------
    RegistrationError
        If the board has moved too far, or the pictures have too little in common.
    InputError
        If there is no such stand, or its file is damaged.
    """
    path = _path(folder, _NAME.sub("-", name.casefold()).strip("-")[:40], photo)
    registration, kept_cold = load_registration(path)
    if kept_cold is None or registration.photo_from_thermal is None:
        raise RegistrationError(
            "was kept without its baseline", where=f"stand {name}", cure="Keep it anew"
        )
    try:
        checked = check_rig(registration, kept_cold=kept_cold, cold=cold)
    except RegistrationError as err:
        raise RegistrationError(err.what, where=f"stand {name}", cure=err.cure) from err
    fitted = checked.registration.photo_from_thermal
    if fitted is None:
        raise RegistrationError("leads to no photo", where=f"stand {name}", cure="Keep it anew")
    return StandFit(
        landmarks=to_landmarks(fitted, shape=np.shape(cold)),
        moved_px=checked.moved_px,
        has_moved=checked.registration.warnings != registration.warnings,
    )


def to_landmarks(photo_from_thermal: PlaneMap, *, shape: tuple[int, ...]) -> FloatArray:
    """Return (n, 4) landmarks that stand for a map on a thermal picture of (rows, cols)."""
    rows, cols = shape[:2]
    thermal = np.array([[x * (cols - 1), y * (rows - 1)] for y in _DOWN for x in _ACROSS])
    pairs: FloatArray = np.c_[thermal, photo_from_thermal.map(thermal)]
    return pairs


def _path(folder: Path, kept: str, photo: Path) -> Path:
    return folder / f"{kept}@{_digest(photo)}.json"


def _digest(photo: Path) -> str:
    # The registration leads to this very picture; another photo of the same board lies otherwise.
    return hashlib.sha256(photo.read_bytes()).hexdigest()[:16]
