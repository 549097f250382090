"""What lies beside the board: no current flows there, but the bench and the air above it move."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from hotspot.checks import FloatArray
from hotspot.heat.outline import share_inside
from hotspot.locate.detect import Scores
from hotspot.locate.field import Field
from hotspot.locate.spots import FoundSpot, find_strongest
from hotspot.register.registration import Registration

# Heat of a part at the board's very edge is seen this far beyond it, px ...
BEYOND_PX = 2.0
# ... and the edge lies this many sigma of its own error from where it is thought to be, at most.
EDGE_SIGMAS = 3.0
# From this SNR on it is heat, and if it lies beside the board, it is the registration that is off:
# what moving air and a drifting camera left in corners reached 30 (340 recordings, two generators,
# those with stronger heat on the board left aside).
SURELY_HEAT = 60.0
WARNING = (
    "Something beside the board changes in step with the injection (a lead, the bench, moving air);"
    " it was left out: check that the board lies where the picture shows it"
)


def find_beside(
    corners_px: FloatArray | None, *, registration: Registration, shape: tuple[int, int]
) -> NDArray[np.bool_] | None:
    """Return what lies beside the board (rows, cols), None where nobody knows or it fills the view.

    Parameters
    ----------
    corners_px
        (4, 2) the board's corners in the picture, or None.
    registration
        For how well they are known.
    shape
        (rows, cols).
    """
    to_board = registration.board_from_thermal
    if corners_px is None or to_board is None:
        return None
    from_board = to_board.inverse()
    worst = max(
        float(np.linalg.eigvalsh(from_board.point_cov(to_board.map(corner)))[-1])
        for corner in corners_px
    )
    reach = int(np.ceil(BEYOND_PX + EDGE_SIGMAS * np.sqrt(worst + registration.least_sigma_px**2)))
    board = share_inside(corners_px, shape=shape) >= 0.5
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    beside: NDArray[np.bool_] = ~binary_dilation(board, np.hypot(x, y) <= reach)
    return beside if beside.any() and not beside.all() else None


def on_the_board(
    field: Field,
    scores: Scores,
    *,
    beside: NDArray[np.bool_] | None,
    limit: float,
    trials: float,
) -> tuple[Field, FoundSpot | None, bool]:
    """Return the field with what it is searched in, its strongest spot, and whether one was left.

    Parameters
    ----------
    field, scores
        The whole picture.
    beside
        What lies beside the board, or None.
    limit, trials
        As for `hotspot.locate.spots.find_spots`.

    Returns
    -------
    field
        That is searched on the board only, unless what lies beside it is surely heat.
    strongest
        Its strongest spot, None where none is significant.
    left
        Whether a stronger one beside the board was left out.
    """

    def strongest(of: Field) -> FoundSpot | None:
        area = float(np.sum(~of.bad))
        return find_strongest(scores, allowed=of.searched, area_px=area, limit=limit, trials=trials)

    anywhere = strongest(field)
    if beside is None:
        return field, anywhere, False
    if anywhere is not None and anywhere.centre.snr > SURELY_HEAT:
        x, y = (round(float(v)) for v in anywhere.centre.xy_px)
        if beside[y, x]:
            return field, anywhere, False
    narrowed = replace(field, beside=beside)
    found = strongest(narrowed)
    left = anywhere is not None and (found is None or found.centre.snr < anywhere.centre.snr)
    return narrowed, found, left
