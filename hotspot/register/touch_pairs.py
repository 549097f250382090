"""Which touch belongs to which click: both come in order, but one may be missing or too many.

A hand that passes, a second bounce of the tip or a touch too faint to be seen leaves the two lists
of unequal length. When enough are left, the geometry tells which one has no partner: a board seen
by a camera is nearly a turned and scaled photo, and a pairing that has slipped by one is far off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from math import comb

import numpy as np

from hotspot.board import Board
from hotspot.checks import FloatArray
from hotspot.errors import RegistrationError
from hotspot.register.clicks import names
from hotspot.register.from_landmarks import fit_registration
from hotspot.register.registration import Registration
from hotspot.register.touch import TouchEvent

# Three pairs fit an affine map whatever they are: a pairing can be told from a slipped one from
# four pairs on, whose fit leaves two numbers that must come out small.
_FEWEST_TO_TELL = 4
_MOST_PAIRINGS = 3000  # 15 touches for 12 clicks are 455
# The right pairing fits to a pixel or two; slipped by one place it is off by tens of pixels. The
# second best must be this many times worse, else the two cannot be told apart.
_CLEARLY = 3.0
_GOOD_RMS_PX = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Pairing:
    """Touches and clicks that belong together.

    Attributes
    ----------
    touches, clicks
        Indices of the same length, in order.
    left_out
        Sentences about what found no partner.
    """

    touches: tuple[int, ...]
    clicks: tuple[int, ...]
    left_out: tuple[str, ...] = ()


def match_touches(touches: tuple[TouchEvent, ...], photo_clicks: FloatArray) -> Pairing:
    """Return which touches and clicks belong together.

    Parameters
    ----------
    touches
        As found, in order of time.
    photo_clicks
        (n, 2) photo px, in the order of touching.

    Raises
    ------
    RegistrationError
        If their numbers differ and the geometry does not tell which are to be left out.
    """
    n, m = len(touches), len(photo_clicks)
    if n == m:
        return Pairing(tuple(range(n)), tuple(range(m)))
    times = ", ".join(f"{t.t_s:.1f} s" for t in touches) or "none"
    unequal = RegistrationError(
        f"{n} touches were seen ({times}) and {m} places clicked",
        cure="Touch the clicked places again, one at a time, a second on and two seconds off",
    )
    k = min(n, m)
    if k < _FEWEST_TO_TELL or comb(max(n, m), k) > _MOST_PAIRINGS:
        raise unequal
    thermal = np.array([t.xy_px for t in touches])
    ranked = sorted(
        (_misfit_px(thermal[list(a)], photo_clicks[list(b)]), a, b)
        for a in combinations(range(n), k)
        for b in combinations(range(m), k)
    )
    best, a, b = ranked[0]
    if best > _GOOD_RMS_PX or ranked[1][0] < _CLEARLY * max(best, 0.5):
        raise unequal
    left_out = [
        f"The touch at {touches[i].t_s:.1f} s belongs to no click and was left out."
        for i in range(n)
        if i not in a
    ]
    left_out += [
        f"Click {i + 1} was touched too faintly, or not at all: left out."
        for i in range(m)
        if i not in b
    ]
    return Pairing(a, b, tuple(left_out))


def _misfit_px(thermal: FloatArray, photo: FloatArray) -> float:
    """Misfit (rms, thermal px) of an affine map that a camera can make; else infinite."""
    design = np.c_[photo, np.ones(len(photo))]
    solution, _, rank, _ = np.linalg.lstsq(design, thermal, rcond=None)
    size = np.linalg.svd(solution[:2], compute_uv=False)
    # Two axes scaled more unequally than under 45 degrees of tilt, or a mirror: no view of a photo.
    if rank < 3 or size[1] < np.cos(np.pi / 4) * size[0] or np.linalg.det(solution[:2]) <= 0:
        return float("inf")
    # Four pairs leave two numbers free: per degree of freedom, not per pair.
    free = 2 * len(thermal) - 6
    return float(np.sqrt(2.0 * ((thermal - design @ solution) ** 2).sum() / free))


def fit_touches(
    touches: tuple[TouchEvent, ...], photo_clicks: FloatArray, *, board: Board | None = None
) -> Registration:
    """Register by touches paired, in order, with the clicks on the photo.

    Parameters
    ----------
    touches
        As found, in order of time.
    photo_clicks
        (n, 2) photo px, in the order of touching.
    board
        As for `fit_registration`.

    Raises
    ------
    RegistrationError
        If they cannot be paired, or cannot fix a map.
    """
    clicks = np.asarray(photo_clicks, dtype=np.float64).reshape(-1, 2)
    pairing = match_touches(touches, clicks)
    chosen = [touches[i] for i in pairing.touches]
    if len(chosen) < 3:
        raise RegistrationError(
            f"{len(chosen)} touches cannot fix the board", cure="Touch three places or more"
        )
    landmarks = to_landmarks(touches, clicks, pairing=pairing)
    sigma = float(np.sqrt(np.mean([np.trace(t.cov) / 2 for t in chosen])))
    # The tip is not set down to better than a third of a pixel of where it was clicked.
    fitted = fit_registration(landmarks, board, click_sigma_thermal_px=max(sigma, 0.3))
    paired = names(list(pairing.touches))
    return replace(
        fitted,
        method="touch points",
        warnings=(
            *pairing.left_out,
            *(w.replace("Landmark", "Touch") for w in fitted.warnings),
        ),
        support=f"touches {paired} paired with the clicks in order",
    )


def to_landmarks(
    touches: tuple[TouchEvent, ...], photo_clicks: FloatArray, *, pairing: Pairing
) -> FloatArray:
    """Return (n, 4) landmarks thermal x, y, photo x, y of paired touches and clicks."""
    thermal = np.array([touches[i].xy_px for i in pairing.touches]).reshape(-1, 2)
    out: FloatArray = np.c_[thermal, photo_clicks[list(pairing.clicks)]]
    return out
