"""What moves in the picture at times of its own: its courses over time.

A draught, a cloud or a hand changes the picture along a few smooth patterns, each with a course
that thousands of pixels tell alike. Known as well as that, the course can be left free in every
pixel, as the offsets between shutter events are: what moved then disturbs nothing, however it was
spread, through whatever emissivity, and no pattern has to be taken out that a warm part shares.
The heat pays by what its own course has in common with these.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.axes import Axes, build_axes
from hotspot.heat.drift import Drift
from hotspot.heat.noise import most_of_noise
from hotspot.heat.pads import is_mirrored, smoothed
from hotspot.heat.response import whitening

# Half waves over the recording by which movement is told from noise: what moves is slow, and a
# draught of some seconds is among the first 24 of a recording of a minute.
SLOW_WAVES = 24
# Fewer bins than twice as many do not tell slow from quick.
LEAST_BINS = 2 * SLOW_WAVES
# Slow waves that the offsets of the segments explain but for this share of energy say nothing.
LEAST_HEARD = 1e-6
# What moves by more courses than this and is mirrored in pads is a hand or a face that goes about,
# and courses do not tell it: hands over metal took 5 to 11; draughts took 3 or 4, rooms and lamps
# up to 10, and all but one of those were mirrored in two pads at most (`tests.benchmarks.exam` and
# two more generators).
MOST_MIRRORED = 4
# A course is left free that adds more to the noise of a small spot than that noise is: with less,
# even one that is half the heat's own loses more than it mends (of 96 shorts near the noise, their
# moments told, 74 are named in place of 70 with all left free).
LEAST_DISTURBANCE = 1.0
# Courses that take more than this share of the heat's energy are the heat's own and are not left
# free: strong heat leaves a few hundredths, three draughts of five seconds a third and more.
MOST_TAKEN = 0.85


def moved_courses(axes: Axes, *, contrasts: FloatArray) -> FloatArray:
    """Return the courses (bins, n) of what moved by more than noise does, strongest first.

    Parameters
    ----------
    axes
        The patterns it may have moved by.
    contrasts
        (r, bins) weights of contrasts that tell it, of unit variance for noise of one pixel.
    """
    if not len(contrasts) or not axes.turn.size:
        return axes.amounts[:, :0]
    power, principal = axes.principal(contrasts)
    moved = power > most_of_noise(len(power), samples=len(contrasts))
    return np.asarray(principal.amounts[:, moved][:, ::-1])


def free_courses(
    moved: FloatArray,
    *,
    quiet: NDArray[np.float32],
    bad: NDArray[np.bool_],
    white: FloatArray,
    body: FloatArray,
    values: NDArray[np.float32],
) -> FloatArray:
    """Return the courses (bins, n) that are left free: those of what moved that disturb a spot.

    One that adds less to the noise of a small spot than that noise itself would take more of the
    heat than it mends. A hand mirrored in pads is told by no few courses, and nothing is free. And
    strong heat moves by the drift's patterns itself; far above the noise nothing needs to be free.

    Parameters
    ----------
    moved
        (bins, n) from `moved_courses`.
    quiet
        (r, rows, cols) maps of the quiet contrasts.
    bad
        (rows, cols) pixels that say nothing.
    white
        (bins, bins) inverse noise of a pixel, what is free projected out.
    body
        (taus, bins) the heat's own courses.
    values
        (bins, pixels) drift-free values.
    """
    nothing = moved[:, :0]
    if not moved.shape[1]:
        return nothing
    if moved.shape[1] > MOST_MIRRORED:
        power = np.where(bad, np.float32(0), np.mean(quiet**2, axis=0))
        if is_mirrored(smoothed(power), usual=float(np.median(power[~bad]))):
            return nothing
    disturbs = _disturbance(moved, white=white, values=values, quiet=quiet, bad=bad)
    moved = moved[:, disturbs > LEAST_DISTURBANCE]
    if not moved.shape[1]:
        return nothing
    shared = moved.T @ white
    heard = shared @ body.T
    taken = np.sum(heard * np.linalg.solve(shared @ moved, heard))
    return moved if taken < MOST_TAKEN * np.sum((body @ white) * body) else nothing


def _disturbance(
    moved: FloatArray,
    *,
    white: FloatArray,
    values: NDArray[np.float32],
    quiet: NDArray[np.float32],
    bad: NDArray[np.bool_],
) -> FloatArray:
    """Return how much power (n,) each course adds to a small spot, in units of its noise.

    Of a course freed of those before it, strongest first.
    """
    root = np.linalg.cholesky(moved.T @ white @ moved)
    own = np.linalg.solve(root, moved.T)
    maps = ((own @ white).astype(np.float32) @ values).reshape(-1, *bad.shape)

    def power(pictures: NDArray[np.float32]) -> FloatArray:
        seen = (smoothed(np.where(bad, np.float32(0), picture)) for picture in pictures)
        return np.array([np.mean(s[~bad] ** 2) for s in seen])

    return np.asarray(power(maps) / max(float(np.median(power(quiet))), 1e-12) - 1)


def find_movers(
    drift: Drift,
    *,
    t_s: FloatArray,
    covariance: FloatArray,
    segment: NDArray[np.int64],
    good: NDArray[np.bool_],
) -> FloatArray:
    """Return the courses (bins, n) of what moved slowly, strong heat included.

    Parameters
    ----------
    drift
        What was taken out of the bins.
    t_s, segment
        (bins,) times, and offsets are free in each segment.
    covariance
        (bins, bins) noise of a pixel.
    good
        (pixels,) pixels that count.
    """
    axes = build_axes(drift, good=good)
    if len(t_s) < LEAST_BINS or not axes.turn.size:
        return np.zeros((len(t_s), 0))
    phase = np.pi * (t_s - t_s[0]) / np.ptp(t_s)
    slow = np.cos(np.arange(1, SLOW_WAVES + 1)[:, None] * phase)
    weights = slow @ whitening(covariance, segment=segment)
    energy, turn = np.linalg.eigh(weights @ slow.T)
    heard = energy > LEAST_HEARD * energy[-1]
    contrasts = (turn[:, heard] / np.sqrt(energy[heard])).T @ weights
    return moved_courses(axes, contrasts=contrasts)
