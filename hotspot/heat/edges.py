"""Edges of the switching, refined on one time course: train, single step, jitter of a hand."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from hotspot.checks import FloatArray

# Log-likelihood gain of switching at these edges.
Gain = Callable[[FloatArray], float]
# Nobody injects for less than this with a single pulse, s; a hand that passes over the board does.
SHORTEST_ON_S = 4.0
# A recording begins cold, as told: a pulse that is on in its first frame is believed where it tells
# this much more, nats (two edges placed freely explain about 5 of noise: each half of the log of
# some 200 bins).
BEGUN_ON_NATS = 5.0
# The first step of refining a single step, as a share of the recording.
STEP_SHARE = 1 / 40


def refine_train(
    gain: Gain, *, first_s: float, last_s: float, frequency: float
) -> tuple[float, ...]:
    """Return the edges of the train that explains most.

    Start, phase, duty, end, then the jitter of single edges.

    Parameters
    ----------
    gain
        Log-likelihood gain of switching at given edges.
    first_s, last_s
        The recording.
    frequency
        Coarse guess, 1/s.
    """
    first, last = first_s, last_s
    best = -np.inf
    best_edges: FloatArray = np.zeros(0)
    resolution = 0.25 / (last - first)
    for f in frequency + resolution * np.array([-1.0, 0.0, 1.0]):
        if f <= 0:
            continue
        period = 1 / f
        for duty in (0.35, 0.5, 0.65):
            for phase in np.arange(12) / 12 * period:
                edges = _train_edges(first, last, period=period, phase=phase, duty=duty)
                value = gain(edges)
                if value > best:
                    best, best_edges = value, edges
    # Pulses before the first and after the last real one explain nothing: drop them while the
    # explanation gains.
    for side in (slice(2, None), slice(None, -2)):
        while len(best_edges) > 4:
            value = gain(best_edges[side])
            if value < best:
                break
            best, best_edges = value, best_edges[side]
    if len(best_edges) > 4 and best_edges[0] <= first:
        value = gain(best_edges[2:])
        if value > best - BEGUN_ON_NATS:
            best, best_edges = value, best_edges[2:]
    return _refine_edges(best_edges, gain=gain, half_cycle_s=0.5 / frequency, first_s=first_s)


def _train_edges(
    first: float, last: float, *, period: float, phase: float, duty: float
) -> FloatArray:
    ons = np.arange(first - period + phase, last, period)
    edges = np.stack([ons, ons + duty * period], axis=1).reshape(-1)
    return edges[(edges > first) & (edges < last)] if edges[0] > first else _clip(edges, first)


def _clip(edges: FloatArray, first: float) -> FloatArray:
    """Drop edges before the recording; a pulse that is on when it begins begins with it."""
    before = int(np.sum(edges <= first))
    kept = edges[before:]
    return np.concatenate([[first], kept]) if before % 2 else kept


def _refine_edges(
    edges: FloatArray, *, gain: Gain, half_cycle_s: float, first_s: float
) -> tuple[float, ...]:
    """Move single edges as a jittering hand would, as far as the data insist."""
    sigma = 0.12 * half_cycle_s + 0.15  # a hand on a switch keeps time to about this, s
    moved = np.zeros(len(edges))
    best = gain(edges)
    for width in (0.5, 0.25):
        for i in range(len(edges)):
            for step in (-width, width):
                while True:
                    trial = moved.copy()
                    trial[i] += step * sigma
                    shifted = edges + trial
                    if np.any(np.diff(shifted) <= 0.05) or shifted[0] < first_s:
                        break
                    value = gain(shifted) - 0.5 * float(np.sum((trial / sigma) ** 2))
                    if value <= best + 1e-9:
                        break
                    best, moved = value, trial
    return tuple(float(t) for t in edges + moved)


def refine_step(
    edges: FloatArray, *, gain: Gain, first_s: float, last_s: float
) -> tuple[float, ...]:
    """Return the edges of a single step or pulse, refined from a coarse guess.

    Parameters
    ----------
    edges
        (1,) or (2,) coarse guess, s.
    gain, first_s, last_s
        As for `refine_train`.
    """
    best = gain(edges)
    step = (last_s - first_s) * STEP_SHARE
    while step > 0.02:
        improved = False
        for i in range(len(edges)):
            for sign in (-1, 1):
                trial = edges.copy()
                trial[i] += sign * step
                if np.any(np.diff(trial) < SHORTEST_ON_S) or trial[0] < first_s:
                    continue
                value = gain(trial)
                if value > best:
                    best, edges, improved = value, trial, True
        if not improved:
            step /= 2
    return tuple(float(t) for t in edges)
