"""From clicked landmarks to the registration of a recording: thermal, photo and board."""

from __future__ import annotations

import numpy as np

from hotspot.board import Board
from hotspot.checks import FloatArray
from hotspot.errors import RegistrationError
from hotspot.register.clicks import names
from hotspot.register.landmarks import CLICK_SIGMA_PX, fit_plane_map
from hotspot.register.lens import Lens
from hotspot.register.registration import PlaneMap, Registration

# A click on the photo is made on a picture of about screen size: good to a photo pixel at best,
# and to a quarter of a thermal pixel's footprint (common practice, no source).
_PHOTO_SIGMA_PX = 1.0
_PHOTO_SIGMA_THERMAL_PX = 0.25
# Share of the photo landmarks' span that a click on a large photo errs by: one pixel of a picture
# shown 1000 pixels wide.
_PHOTO_SIGMA_SHARE = 1e-3
# Centroids of design exports are rounded to about this.
_BOARD_SIGMA_MM = 0.02
# The technician is told when the map's own error somewhere between or near the landmarks exceeds
# this: about a third of a small chip part at usual magnification.
_WIDE_SIGMA_PX = 2.0
# How that begins: what is seen in the picture later may lift it.
WEAK_CORNERS = "Near the landmarks' outer corners"
# Clicks that are all this far from the map of the others contradict one another: good ones are
# within 3 px even when four leave one another little to go by (four clicks of 0.7 px).
_CONTRADICT_PX = 6.0
# A click on a picture's rim may come out this far beyond it.
_RIM_PX = 2.0


def fit_registration(
    recording_landmarks: FloatArray,
    board: Board | None,
    *,
    click_sigma_thermal_px: float = CLICK_SIGMA_PX,
    shape: tuple[int, int] | None = None,
) -> Registration:
    """Register thermal pixels to the photo and the board by landmarks.

    Parameters
    ----------
    recording_landmarks
        (n, 4) rows thermal x, thermal y, photo x, photo y in px. None at all (n = 0) gives a
        registration of method "none".
    board
        The board pack; its photo landmarks bring the photo to millimetres. A board whose parts
        are in photo pixels needs none. None leaves out the board.
    click_sigma_thermal_px
        Standard deviation of a click's coordinate on the thermal picture.
    shape
        (rows, cols) of the thermal picture: radial distortion of its lens is then measured along
        where eight or more landmarks show it. None: taken as straight.

    Raises
    ------
    RegistrationError
        If the landmarks cannot fix a map.
    """
    landmarks = np.asarray(recording_landmarks, dtype=np.float64)
    if landmarks.ndim != 2 or landmarks.shape[1] != 4:
        raise ValueError(f"recording_landmarks must have shape (n, 4), got {landmarks.shape}")
    if len(landmarks) == 0:
        return Registration(
            warnings=("The recording has no landmarks: nothing places it on the board.",)
        )
    if not np.isfinite(landmarks).all():
        raise RegistrationError(
            "a landmark is not a number", cure="Every landmark needs four numbers, in pixels"
        )
    thermal, photo = landmarks[:, :2], landmarks[:, 2:]
    if shape is not None:
        _check_inside(thermal, shape)
    per_px = _magnification(thermal, photo)
    photo_from_thermal = fit_plane_map(
        thermal,
        photo,
        click_sigma_source_px=click_sigma_thermal_px,
        click_sigma_destination_px=max(_PHOTO_SIGMA_PX, _PHOTO_SIGMA_THERMAL_PX * per_px),
        shape=shape,
        sides=("thermal picture", "photo"),
    )
    warnings = [*_click_warnings(photo_from_thermal, thermal, photo)]
    mirrored = np.linalg.det(photo_from_thermal.matrix[:2, :2]) < 0
    if mirrored:
        warnings.append(
            "The landmarks turn the picture over, as in a mirror: check that the photo shows the "
            "side that the camera saw, and that the clicks are in the same order."
        )
    board_from_thermal, board_warnings = to_board_map(photo_from_thermal, board)
    return Registration(
        method="landmarks",
        photo_from_thermal=photo_from_thermal,
        board_from_thermal=board_from_thermal,
        rms_px=measure_rms_px(photo_from_thermal, thermal, photo),
        warnings=(*warnings, *board_warnings),
        support=_lens_words(photo_from_thermal.lens),
    )


def _check_inside(thermal: FloatArray, shape: tuple[int, int]) -> None:
    """Refuse clicks that are not on the thermal picture: columns swapped, or another camera's."""
    rows, cols = shape
    limit = np.array([cols - 1, rows - 1]) + _RIM_PX
    outside = np.flatnonzero(((thermal < -_RIM_PX) | (thermal > limit)).any(axis=1))
    if len(outside):
        many = len(outside) > 1
        raise RegistrationError(
            f"landmark{'s' if many else ''} {names([int(i) for i in outside])} "
            f"{'lie' if many else 'lies'} outside the thermal picture ({cols} x {rows} px)",
            cure="Each landmark is thermal x, thermal y, photo x, photo y, in this order",
        )


def leave_one_out_px(photo_from_thermal: PlaneMap, thermal: FloatArray) -> tuple[float, ...]:
    """Return each click's distance from the map of the others in thermal pixels; NaN: unknown."""
    out = []
    for at, far in zip(thermal, photo_from_thermal.leave_one_out_px, strict=False):
        area = abs(float(np.linalg.det(photo_from_thermal.jacobian(at))))
        out.append(far / float(np.sqrt(area)))
    return tuple(out)


def _lens_words(lens: Lens | None) -> str:
    if lens is None:
        return ""
    way = "in" if lens.k1 < 0 else "out"
    return (
        f"the lens moves the corners {way} by {100 * abs(lens.k1):.1f} % of half the diagonal "
        f"(k1 = {lens.k1:+.3f} ± {lens.k1_sigma:.3f}): taken into account"
    )


def to_board_map(
    photo_from_thermal: PlaneMap, board: Board | None
) -> tuple[PlaneMap | None, tuple[str, ...]]:
    """Return board_from_thermal for a known photo_from_thermal, and what there is to say."""
    if board is None:
        return None, ()
    if board.units == "photo_px":
        return photo_from_thermal, ()
    if len(board.photo_landmarks) < 2:
        return None, (
            f"Board '{board.name}' has no landmarks between its photo and its millimetres: parts "
            "cannot be placed.",
        )
    board_from_photo, warnings = fit_board_from_photo(board)
    return board_from_photo.after(photo_from_thermal), warnings


def fit_board_from_photo(board: Board) -> tuple[PlaneMap, tuple[str, ...]]:
    """Return the map photo px → board mm of a board pack, and what there is to say.

    Raises
    ------
    RegistrationError
        If the pack's photo landmarks cannot fix a map.
    """
    mm, photo = board.photo_landmarks[:, :2], board.photo_landmarks[:, 2:]
    span = float(np.ptp(photo, axis=0).max())
    try:
        board_from_photo = fit_plane_map(
            photo,
            mm,
            click_sigma_source_px=max(_PHOTO_SIGMA_PX, _PHOTO_SIGMA_SHARE * span),
            click_sigma_destination_px=_BOARD_SIGMA_MM,
            sides=("photo", "board"),
        )
    except RegistrationError as err:
        raise RegistrationError(
            err.what, where=f"photo landmarks of board '{board.name}'", cure=err.cure
        ) from err
    warnings: tuple[str, ...] = ()
    if board_from_photo.outliers:
        wrong = board_from_photo.outliers
        many = len(wrong) > 1
        worst = ", ".join(f"{board_from_photo.leave_one_out_px[i]:.1f} mm" for i in wrong)
        warnings = (
            f"Photo landmark{'s' if many else ''} {names(wrong)} of board '{board.name}' "
            f"{'are' if many else 'is'} off by {worst} and {'were' if many else 'was'} left out.",
        )
    return board_from_photo, warnings


def measure_rms_px(photo_from_thermal: PlaneMap, thermal: FloatArray, photo: FloatArray) -> float:
    """Return the RMS residual in thermal pixels of the landmarks that were not left out."""
    kept = [i for i in range(len(thermal)) if i not in photo_from_thermal.outliers]
    squares = [
        float(np.sum(_thermal_residual(photo_from_thermal, thermal[i], photo[i]) ** 2))
        for i in kept
    ]
    return float(np.sqrt(np.mean(squares)))


def _thermal_residual(
    photo_from_thermal: PlaneMap, thermal: FloatArray, photo: FloatArray
) -> FloatArray:
    residual = photo - photo_from_thermal.map(thermal)
    out: FloatArray = np.linalg.solve(photo_from_thermal.jacobian(thermal), residual)
    return out


def _magnification(thermal: FloatArray, photo: FloatArray) -> float:
    """Photo pixels per thermal pixel from the spread of the landmarks (median: wrong clicks)."""
    if len(thermal) < 2:
        return 1.0
    distances = [
        np.linalg.norm(p[:, None] - p[None], axis=2)[np.triu_indices(len(p), 1)]
        for p in (thermal, photo)
    ]
    good = distances[0] > 0
    return float(np.median(distances[1][good] / distances[0][good])) if good.any() else 1.0


def _click_warnings(fitted: PlaneMap, thermal: FloatArray, photo: FloatArray) -> list[str]:
    out = []
    for i in fitted.outliers:
        off = float(np.hypot(*_thermal_residual(fitted, thermal[i], photo[i])))
        out.append(
            f"Landmark {i + 1} is off by {off:.0f} thermal pixels and was left out: click it again."
        )
    far = leave_one_out_px(fitted, thermal)
    if not fitted.outliers and len(far) >= 3 and np.median(far) > _CONTRADICT_PX:
        out.append(
            f"The landmarks contradict one another by up to {max(far):.0f} thermal pixels, and "
            "they are too few to tell which is wrong: click two more, and look at each again."
        )
    if fitted.model == "similarity":
        out.append(
            "Two landmarks give only position, turn and size: add two more to correct for tilt."
        )
    elif fitted.model == "affine":
        out.append(
            "The landmarks (three, or all but one on a line) cannot correct for perspective: add "
            "one away from the others."
        )
    kept = [i for i in range(len(thermal)) if i not in fitted.outliers]
    low, high = thermal[kept].min(axis=0), thermal[kept].max(axis=0)
    middle = (low + high) / 2
    # The worst place that still belongs to the board: a quarter outside the landmarks' box.
    corners = middle + 0.75 * (high - low) * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    worst = 0.0
    for corner in corners:
        j = np.linalg.inv(fitted.jacobian(corner))
        cov = j @ fitted.point_cov(corner) @ j.T
        worst = max(worst, float(np.sqrt(np.linalg.eigvalsh(cov)[-1])))
    if worst > _WIDE_SIGMA_PX:
        out.append(
            f"{WEAK_CORNERS} the registration is good to {worst:.1f} thermal pixels only: more"
            " landmarks, spread wider, would help."
        )
    return out
