"""Pulses that keep no time: a hand on a switch, found one after the other at a place."""

from __future__ import annotations

import numpy as np

from hotspot.checks import FloatArray
from hotspot.heat.gains import TableGain

# Two further edges must explain this much more, nats: placed freely they explain about 5 of noise
# (`hotspot.heat.edges.BEGUN_ON_NATS`), and in 3 of 120 courses of noise this much ...
PAIR_NATS = 8.0
# ... and this share of all that is explained: of sixteen pulses each has three times as much, while
# what mends the shape of one that is there has less.
PAIR_SHARE = 0.02
# Share of a course that no member of the family explains (`hotspot.heat.evident.LEAK_SHARE`).
UNLIKE_ALL = 0.05
# A hand can do no more pulses and gaps than this in a recording that anyone watches.
MOST_PAIRS = 16
# Moments on which an edge is tried: half a second apart in a minute.
MOMENTS = 120
# Pulses and gaps shorter than this are no hand's, s.
SHORTEST_S = 0.5
# Steps by which an edge is moved while that explains more, s.
MOVES_S = (1.0, 0.3, 0.1)


def find_pulses(gain: TableGain, *, free: int, start: tuple[float, ...] = ()) -> tuple[float, ...]:
    """Return the edges of the pulses that explain a time course, as far as each says something.

    The pulse that explains most, then the pulse or gap that explains most beside it, and so on
    (matching pursuit: Mallat & Zhang, IEEE Trans. Signal Processing 41, 1993), all edges moved to
    where they explain most each time.

    Parameters
    ----------
    gain
        Log-likelihood gain of edges at a place, in units of its own scatter where that exceeds
        the noise.
    free
        Degrees of freedom of the course; all of it explained is a gain of half of them.
    start
        Edges that are known already; they stay, and move only as others join them.

    Returns
    -------
    tuple of float
        On at edges 0, 2, ..., off at 1, 3, ..., s; an output that stays on has no last edge. Empty
        where not even one pulse explains anything.
    """
    edges: FloatArray = np.array(start, dtype=np.float64)
    value = gain(edges) if len(edges) else 0.0

    def nats(explained: float) -> float:
        """Log-likelihood once the noise is what is left (F test); where little is, just that."""
        left = max(1.0 - 2.0 * explained / free, 0.0) + UNLIKE_ALL
        return -0.5 * free * float(np.log(left / (1.0 + UNLIKE_ALL)))

    for _ in range(MOST_PAIRS):
        more = gain.best_pair(edges, moments=MOMENTS, least_s=SHORTEST_S)
        if len(more) == len(edges):
            break
        more, better = moved_edges(more, gain=gain)
        enough = nats(better) >= nats(value) + PAIR_NATS
        if not enough or better - value < PAIR_SHARE * better:
            break
        edges, value = more, better
    # An output that stays on needs one edge less: a last one must be worth half a pair.
    if len(edges) % 2 == 0 and len(edges) > len(start):
        open_end = edges[:-1]
        if nats(gain(open_end)) > nats(value) - PAIR_NATS / 2:
            edges = open_end
    return tuple(float(t) for t in edges)


def moved_edges(edges: FloatArray, *, gain: TableGain) -> tuple[FloatArray, float]:
    """Return edges moved one by one to where they explain most, and how much that is, nats.

    Parameters
    ----------
    edges
        (n,) s, increasing.
    gain
        Log-likelihood gain of edges at a place.
    """
    first, last = float(gain.at_s[0]), float(gain.at_s[-1])
    best = gain(edges)
    for move in MOVES_S:
        improved = True
        while improved:
            improved = False
            for i in range(len(edges)):
                for step in (-move, move):
                    trial = edges.copy()
                    trial[i] += step
                    inside = first <= trial[0] and trial[-1] <= last
                    if not inside or np.any(np.diff(trial) < SHORTEST_S):
                        continue
                    value = gain(trial)
                    if value > best + 1e-9:
                        best, edges, improved = value, trial, True
    return edges, best
