"""Find the corners of a chessboard, or the centres of a circle grid, in a thermal picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray, check_positive, freeze
from hotspot.errors import InputError

# Thermal pictures are small: the finder is shown an enlarged one, this many pixels across at least.
_ENLARGED_PX = 640


@dataclass(frozen=True, slots=True)
class Grid:
    """A plane pattern.

    Attributes
    ----------
    columns, rows
        Inner corners (chessboard) or circles (circle grid) each way.
    pitch_mm
        Distance of neighbours.
    is_circles
        Circles on a square grid rather than a chessboard.
    """

    columns: int
    rows: int
    pitch_mm: float
    is_circles: bool = False

    def __post_init__(self) -> None:
        if min(self.columns, self.rows) < 3:
            raise ValueError(
                f"columns and rows must be >= 3, got {self.columns} x {self.rows} (inner corners)"
            )
        check_positive(self.pitch_mm, name="pitch_mm")

    @property
    def points_mm(self) -> FloatArray:
        """(columns · rows, 2) x, y of the points, row by row."""
        y, x = np.mgrid[: self.rows, : self.columns]
        return freeze(np.stack([x.ravel(), y.ravel()], axis=1) * float(self.pitch_mm))


def find_grid(picture: FloatArray, grid: Grid, *, where: str = "") -> FloatArray:
    """Return (columns · rows, 2) points of the grid in pixels, row by row.

    Parameters
    ----------
    picture
        (rows, cols) mean of frames; warm or cool squares, either will do.
    grid
        The pattern.
    where
        The file, for messages.

    Raises
    ------
    InputError
        The pattern is not found.
    """
    image = np.asarray(picture, dtype=np.float64)
    finite = np.isfinite(image)
    if not finite.any():
        raise InputError("the picture holds no numbers", where=where)
    filled = np.where(finite, image, np.median(image[finite]))
    low, high = np.percentile(filled, (1, 99))
    if high <= low:
        raise InputError("the picture is even: no pattern", where=where, cure="Raise the contrast")
    grey = np.clip((filled - low) / (high - low), 0, 1)
    factor = max(1, int(np.ceil(_ENLARGED_PX / image.shape[1])))
    size = (image.shape[1] * factor, image.shape[0] * factor)
    large = cv2.resize(grey, size, interpolation=cv2.INTER_CUBIC)
    for turned in (False, True):
        shown = 1 - large if turned else large
        byte = np.clip(np.rint(255 * shown), 0, 255).astype(np.uint8)
        found = _circles(byte, grid) if grid.is_circles else _corners(byte, grid)
        if found is not None:
            # Pixel centres: the middle of an enlarged block of f pixels is (f - 1) / 2 from its
            # first pixel's centre.
            points = (found.astype(np.float64) + 0.5) / factor - 0.5
            return freeze(_ordered(points, grid))
    kind = "circles" if grid.is_circles else "inner corners"
    raise InputError(
        f"no grid of {grid.columns} x {grid.rows} {kind} in the picture",
        where=where,
        cure="Show the whole pattern with a margin, sharp, with more contrast; count again",
    )


def _corners(byte: NDArray[np.uint8], grid: Grid) -> NDArray[np.float32] | None:
    size = (grid.columns, grid.rows)
    flags = cv2.CALIB_CB_EXHAUSTIVE | cv2.CALIB_CB_ACCURACY | cv2.CALIB_CB_NORMALIZE_IMAGE
    found, corners = cv2.findChessboardCornersSB(byte, size, flags=flags)
    if found:
        return np.asarray(corners, dtype=np.float32).reshape(-1, 2)
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
    found, corners = cv2.findChessboardCorners(byte, size, flags=flags)
    if not found:
        return None
    pitch = float(np.median(np.linalg.norm(np.diff(corners.reshape(-1, 2), axis=0), axis=1)))
    window = max(2, int(pitch / 4))
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 1e-3)
    refined = cv2.cornerSubPix(byte, corners, (window, window), (-1, -1), criteria)
    return np.asarray(refined, dtype=np.float32).reshape(-1, 2)


def _circles(byte: NDArray[np.uint8], grid: Grid) -> NDArray[np.float32] | None:
    parameters = cv2.SimpleBlobDetector.Params()
    parameters.filterByArea = True
    parameters.minArea, parameters.maxArea = 20.0, byte.size / 20.0
    parameters.minDistBetweenBlobs = 5.0
    detector = cv2.SimpleBlobDetector.create(parameters)
    found, centres = cv2.findCirclesGrid(
        byte, (grid.columns, grid.rows), flags=cv2.CALIB_CB_SYMMETRIC_GRID, blobDetector=detector
    )
    return np.asarray(centres, dtype=np.float32).reshape(-1, 2) if found else None


def _ordered(points: FloatArray, grid: Grid) -> FloatArray:
    """Return the points so that rows run to the right and down, as far as the pattern allows."""
    block = points.reshape(grid.rows, grid.columns, 2)
    if block[:, -1, 0].mean() < block[:, 0, 0].mean():
        block = block[:, ::-1]
    if block[-1, :, 1].mean() < block[0, :, 1].mean():
        block = block[::-1]
    return np.ascontiguousarray(block.reshape(-1, 2))
