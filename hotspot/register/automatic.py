"""Registration without a click: a cold baseline laid on the photo, or on the part map.

Search (`search`), refinement (`refine`), then a verdict. The verdict is made by counting: blocks of
the picture that hold edges in more than one direction must, each for itself, match best where the
map says. A wrong place is right about few of them by chance; when too few agree the answer is
"cannot register", never a guess.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.board import Board
from hotspot.checks import FloatArray
from hotspot.errors import RegistrationError
from hotspot.register.edges import draw_part_map, to_grey, to_thermal_picture
from hotspot.register.from_landmarks import fit_board_from_photo, to_board_map
from hotspot.register.refine import Match, refine
from hotspot.register.registration import PlaneMap, Registration
from hotspot.register.search import find_candidates

# Working distances of a bench camera over a board: from a close-up lens (0.06 mm per pixel of a
# 256-pixel-wide picture) to a whole board seen from a hand's length away.
_MM_PER_PX = (0.06, 0.8)
# Without a scale: the thermal picture's width covers this share of the photo's longer side.
_COVERS = (0.2, 2.0)
_SMALLEST_SIDE_PX = 32  # the verdict counts blocks: a smaller picture has too few of them
_LARGEST_WIDTH_PX = 320  # larger thermal pictures are averaged down: time grows, accuracy does not
# Verdict. Let m = agreeing blocks less half the blocks. On photos of other boards (invented scenes)
# m reached 1.5, on part maps of other boards 3.5 (7 blocks of 7); at right places it is mostly 4
# to 14. What lies between is given up.
_LEAST_AGREEING = 8
_LEAST_MARGIN = 4.0
_LEAST_CORRELATION = 0.35
# At this margin no other place needs to be looked at.
_SURE_MARGIN = 5.0
# The matched edges of photo and thermal picture are not quite the same edges (a pad's rim against
# its solder): the map errs more than the blocks' scatter alone says. With this factor on the
# variance 95 % regions hold about 93 % over invented scenes.
_COV_FACTOR = 4.0


def register_automatically(
    cold: FloatArray, *, photo: NDArray[Any] | None, board: Board | None
) -> Registration:
    """Register a cold baseline to the photo or, without one, to the board's part map.

    Parameters
    ----------
    cold
        (rows, cols) float32 baseline: the mean of cold frames, °C or counts.
    photo
        (height, width, 3) uint8 RGB photo, or None.
    board
        Board pack: gives millimetres through its photo landmarks, and the part map. None if
        there is none.

    Returns
    -------
    Registration
        Of method "automatic", its `support` saying how many blocks agree; or of method "none" with
        a sentence saying why not.
    """
    baseline = np.asarray(cold)
    if baseline.ndim != 2:
        raise ValueError(f"cold must have shape (rows, cols), got {baseline.shape}")
    if min(baseline.shape) < _SMALLEST_SIDE_PX:
        return _none(
            f"The picture has fewer than {_SMALLEST_SIDE_PX} pixels a side, too few to be matched "
            "to a photo: click landmarks."
        )
    factor = min(1.0, _LARGEST_WIDTH_PX / baseline.shape[1])
    picture = to_thermal_picture(baseline)
    if float(np.ptp(picture)) <= 0:
        return _none("The cold picture is uniform: nothing in it can be matched to a photo.")
    if factor < 1.0:
        picture = cv2.resize(picture, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    small_from_thermal = _resize_map(baseline.shape, picture.shape)
    said: list[str] = []
    if photo is not None:
        match, photo_from_small = _register_to_photo(picture, photo, board, factor)
        if match is not None:
            photo_from_thermal = _compose(photo_from_small, match, small_from_thermal, factor)
            board_from_thermal, warnings = to_board_map(photo_from_thermal, board)
            return Registration(
                method="automatic",
                photo_from_thermal=photo_from_thermal,
                board_from_thermal=board_from_thermal,
                rms_px=match.rms_px / factor,
                warnings=warnings,
                support=_support(match, "photo"),
            )
        said.append("The thermal picture could not be matched to the photo with confidence.")
    if board is not None and board.units == "mm" and len(board.parts) >= 4:
        found = _register_to_parts(picture, board, factor)
        if found is not None:
            match, mm_from_map = found
            board_from_thermal = _compose(mm_from_map, match, small_from_thermal, factor)
            return Registration(
                method="automatic",
                photo_from_thermal=_photo_map(board, board_from_thermal),
                board_from_thermal=board_from_thermal,
                rms_px=match.rms_px / factor,
                support=_support(match, "part map"),
            )
        said.append(
            "It could not be matched to the part map either."
            if said
            else "The thermal picture could not be matched to the part map with confidence."
        )
    if not said:
        return _none("There is neither a photo nor a part map to register to.")
    return _none(" ".join([*said, "Click four to eight landmarks."]))


def _none(sentence: str) -> Registration:
    return Registration(method="none", warnings=(sentence,))


def _support(match: Match, target: str) -> str:
    return (
        f"{match.agreeing} of {match.blocks} places in the picture agree with the {target} "
        f"(edge correlation {match.correlation:.2f})"
    )


def measure_margin(match: Match) -> float:
    """Return by how much agreement exceeds what an unlucky wrong place reaches; see the top."""
    return match.agreeing - 0.5 * match.blocks


def is_trusted(match: Match) -> bool:
    """Return whether a match is good enough to be called a registration."""
    return (
        match.agreeing >= _LEAST_AGREEING
        and measure_margin(match) >= _LEAST_MARGIN
        and match.correlation >= _LEAST_CORRELATION
    )


def find_place(
    picture: NDArray[Any],
    target: NDArray[Any],
    *,
    scale_range: tuple[float, float],
) -> Match | None:
    """Return the trusted place of a thermal picture on a target, or None."""
    best: Match | None = None
    for candidate in find_candidates(picture, target, scale_range=scale_range):
        match = refine(picture, target, candidate.matrix)
        if match is None:
            continue
        if best is None or measure_margin(match) > measure_margin(best):
            best = match
        if is_trusted(best) and measure_margin(best) >= _SURE_MARGIN:
            break
    return best if best is not None and is_trusted(best) else None


def _register_to_photo(
    picture: NDArray[Any], photo: NDArray[Any], board: Board | None, factor: float
) -> tuple[Match | None, FloatArray]:
    grey, reduced = to_grey(photo)
    covers = tuple(c * max(grey.shape) / picture.shape[1] for c in _COVERS)
    low, high = covers
    if board is not None and board.units == "mm" and len(board.photo_landmarks) >= 3:
        try:
            mm_from_photo = fit_board_from_photo(board)[0]
        except RegistrationError:
            mm_from_photo = None
        if mm_from_photo is not None:
            middle = np.array([grey.shape[1], grey.shape[0]]) / 2 / reduced
            mm_per_px = float(np.sqrt(abs(np.linalg.det(mm_from_photo.jacobian(middle)))))
            per_small = [mm / factor * reduced / mm_per_px for mm in _MM_PER_PX]
            low, high = max(low, per_small[0]), min(high, per_small[1])
            if low >= high:
                low, high = covers
    match = find_place(picture, grey, scale_range=(low, high))
    back = _resize_map(grey.shape, np.shape(photo)[:2])
    return match, back


def _register_to_parts(
    picture: NDArray[Any], board: Board, factor: float
) -> tuple[Match, FloatArray] | None:
    extent = np.concatenate([p.corners_mm() for p in board.parts])
    longest = float(np.ptp(extent, axis=0).max())
    # Fine enough for chip parts, no finer than the thermal camera's own best.
    mm_per_px = max(0.08, longest / 1200)
    target, mm_from_map = draw_part_map(board, mm_per_px=mm_per_px)
    width = picture.shape[1]
    low = max(_MM_PER_PX[0] / factor, _COVERS[0] * longest / width) / mm_per_px
    high = min(_MM_PER_PX[1] / factor, _COVERS[1] * longest / width) / mm_per_px
    match = find_place(picture, target, scale_range=(low, max(high, low * 1.2)))
    return None if match is None else (match, mm_from_map)


def _photo_map(board: Board, board_from_thermal: PlaneMap) -> PlaneMap | None:
    if len(board.photo_landmarks) < 3:
        return None
    try:
        board_from_photo = fit_board_from_photo(board)[0]
    except RegistrationError:
        return None
    return board_from_photo.inverse().after(board_from_thermal)


def _resize_map(shape: tuple[int, ...], to_shape: tuple[int, ...]) -> FloatArray:
    """Map of a pixel of an array to its place in the array resized to `to_shape`."""
    fx, fy = to_shape[1] / shape[1], to_shape[0] / shape[0]
    return np.array([[fx, 0, 0.5 * fx - 0.5], [0, fy, 0.5 * fy - 0.5], [0, 0, 1.0]])


def _compose(
    out_from_target: FloatArray, match: Match, small_from_thermal: FloatArray, factor: float
) -> PlaneMap:
    """Return the map thermal px → output with its error."""
    zero = np.zeros((8, 8))
    correction = PlaneMap(np.eye(3), match.correction_cov * _COV_FACTOR)
    outer = PlaneMap(out_from_target @ match.matrix, zero)
    whole = outer.after(correction).after(PlaneMap(small_from_thermal, zero))
    matrix = whole.matrix
    middle = np.linalg.inv(small_from_thermal)[:2, 2]
    scale = float(np.sqrt(abs(np.linalg.det(PlaneMap(matrix, zero).jacobian(np.abs(middle))))))
    return PlaneMap(
        matrix=matrix,
        parameter_cov=whole.parameter_cov,
        model="homography",
        rms_px=match.rms_px / factor * scale,
    )
