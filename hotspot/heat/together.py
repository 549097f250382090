"""Places that wander together: what metal mirrors of a room, where the cold picture does not tell.

Pads and holes mirror walls, lamps and people; as these warm and cool, the pads change with one
course of time, though the cold picture may show nothing of them. A course that several separate
places share at times of its own is read off them, and its part that runs in step with the
injection is taken away wherever the rest of the course is seen. A short is one place, and leaves
next to nothing outside of the signal contrasts.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from hotspot.checks import FloatArray
from hotspot.heat.robust import median_of

# A place is looked at through a Gaussian of this width, px: about the optics' blur.
PLACE_SIGMA_PX = 1.0
# Quiet energy this many sigma (of chi-squared) above the usual marks a place as wandering: one
# pixel in a million of noise.
WANDERS_SIGMAS = 6.0
# ... and it must be this share of the signal energy there: shorts whose time course is unlike all
# in the family stayed below 0.12.
LEAST_SHARE = 0.15
# Places that must share a course, and by how much of their energy; separate means by this far, px.
FEWEST_PLACES, SHARED, SEPARATE_PX = 3, 0.7, 4
# Courses taken away at most: a room and a person.
MOST_COURSES = 2
# Taking a course away must leave at most this share of the wandering places: where a hand moves
# about, each pad has a course of its own, and no few of them tell it.
MOST_LEFT = 0.5
# Heat above this SNR of a place is in no need of help, and its own course may fill the picture.
STRONG_SNR = 40.0
# A pixel takes part where its surroundings show the course at this many sigma.
TAKES_PART_SIGMAS = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Calmed:
    """Contrast maps without shared courses.

    Attributes
    ----------
    maps, quiet
        (k, rows, cols) and (r, rows, cols) float32.
    doubt
        (rows, cols) float32 standard deviation that taking the courses away adds to a signal
        contrast.
    courses
        How many were taken away.
    """

    maps: NDArray[np.float32]
    quiet: NDArray[np.float32]
    doubt: NDArray[np.float32]
    courses: int


def without_shared_courses(
    maps: NDArray[np.float32], quiet: NDArray[np.float32], *, bad: NDArray[np.bool_]
) -> Calmed:
    """Return contrast maps without the courses that separate places share.

    Parameters
    ----------
    maps
        (k, rows, cols) signal contrasts, of unit variance where nothing happens.
    quiet
        (r, rows, cols) quiet contrasts.
    bad
        (rows, cols) pixels that say nothing.
    """
    doubt = np.zeros(bad.shape, dtype=np.float32)
    places = _find_wandering(maps, quiet, bad=bad)
    done = 0
    while done < MOST_COURSES:
        course = _shared_course(places, signals=len(maps))
        if course is None:
            break
        of_quiet, of_signal = (v.astype(np.float32) for v in course)
        amount = np.tensordot(of_quiet, quiet, axes=1)
        taking = np.abs(_seen(amount[None], bad)[0]) > TAKES_PART_SIGMAS
        taking &= _share(_seen(maps, bad), _seen(quiet, bad)) > 0.5 * LEAST_SHARE
        taken = np.where(taking, amount, np.float32(0))
        fewer_maps = maps - of_signal[:, None, None] * taken
        fewer_quiet = quiet - of_quiet[:, None, None] * taken
        left = _find_wandering(fewer_maps, fewer_quiet, bad=bad)
        if left.shape[1] > MOST_LEFT * places.shape[1]:
            break
        maps, quiet, places = fewer_maps, fewer_quiet, left
        added = float(np.linalg.norm(of_signal))
        doubt = np.where(taking, np.hypot(doubt, added), doubt).astype(np.float32)
        done += 1
    return Calmed(maps=maps, quiet=quiet, doubt=doubt, courses=done)


def _seen(maps: NDArray[np.float32], bad: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return maps through the window of a place, in units of their usual scatter."""
    good = np.where(bad, np.float32(0), maps)
    out = np.stack([cv2.GaussianBlur(m, (0, 0), PLACE_SIGMA_PX) for m in good])
    spread = 1.4826 * np.array([[[median_of(np.abs(m))]] for m in out])
    return np.asarray(out / np.maximum(spread, 1e-12), dtype=np.float32)


def _share(of_signal: NDArray[np.float32], of_quiet: NDArray[np.float32]) -> NDArray[np.float32]:
    """Quiet energy beyond the usual as a share of the signal energy, place by place."""
    beyond = np.sum(of_quiet**2, axis=0) - len(of_quiet)
    return np.asarray(beyond / np.maximum(np.sum(of_signal**2, axis=0), 1e-12), dtype=np.float32)


def _find_wandering(
    maps: NDArray[np.float32], quiet: NDArray[np.float32], *, bad: NDArray[np.bool_]
) -> FloatArray:
    """Contrasts (k + r, n) of the places that wander, signal first; none beside strong heat."""
    of_signal, of_quiet = _seen(maps, bad), _seen(quiet, bad)
    energy = np.sum(of_quiet**2, axis=0)
    wandering = energy > len(quiet) * (1 + WANDERS_SIGMAS * np.sqrt(2 / len(quiet)))
    wandering &= (_share(of_signal, of_quiet) > LEAST_SHARE) & ~bad
    wandering &= energy == ndimage.maximum_filter(energy, size=2 * SEPARATE_PX + 1)
    if float(np.sum(of_signal**2, axis=0).max()) > STRONG_SNR**2:
        wandering[:] = False
    return np.concatenate([of_signal[:, wandering], of_quiet[:, wandering]]).astype(np.float64)


def _shared_course(places: FloatArray, *, signals: int) -> tuple[FloatArray, FloatArray] | None:
    """Direction of the strongest shared course in the quiet contrasts, and what it has of signal.

    The latter is the signal at a place for unit amount of the former.
    """
    m, q = places[:signals], places[signals:]
    if q.shape[1] < FEWEST_PLACES:
        return None
    # Each place has one vote, however strong it is.
    unit = q / np.linalg.norm(q, axis=0)
    direction = np.linalg.svd(unit)[0][:, 0]
    members = (direction @ unit) ** 2 > SHARED
    if members.sum() < FEWEST_PLACES:
        return None
    amount = direction @ q[:, members]
    of_course = np.median(m[:, members] / amount, axis=1)
    left = m[:, members] - of_course[:, None] * amount
    allowed = (1 - SHARED) * np.sum(m[:, members] ** 2, axis=0) + len(m)
    if np.sum(np.sum(left**2, axis=0) < allowed) < FEWEST_PLACES:
        return None
    return direction, of_course
