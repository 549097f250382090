"""Times as they should have been: increasing, without holes made by a bad stamp."""

from __future__ import annotations

from bisect import bisect_left

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray

# A pause longer than this many usual intervals is reported as a gap.
GAP_INTERVALS = 2.5


def clean_times(t_s: FloatArray) -> tuple[FloatArray, tuple[str, ...]]:
    """Return strictly increasing times and what had to be mended.

    Parameters
    ----------
    t_s
        (n,) times in s; NaN, equal and backward stamps allowed.

    Returns
    -------
    times
        (n,) float64. Stamps that fit into one increasing sequence are kept to the bit; the
        fewest possible others are replaced by even spacing between their neighbours.
    warnings
        Sentences, empty for a clean clock.
    """
    raw = np.asarray(t_s, dtype=np.float64)
    n = len(raw)
    if n < 2:
        return np.nan_to_num(raw), ()
    # Stamps closer than a nanosecond are equal: the spacing between them would be nothing.
    with np.errstate(over="ignore"):
        rounded = np.round(raw, 9)
    kept = _longest_increasing(np.where(np.isfinite(rounded), rounded, raw))
    warnings: list[str] = []
    if len(kept) < 2:
        return np.arange(n, dtype=np.float64), (
            "the frame times do not increase: frames are taken as 1 s apart",
        )
    interval = float(np.median(np.diff(raw[kept]) / np.diff(kept)))
    times = np.interp(np.arange(n), kept, raw[kept])
    lead = np.arange(kept[0])
    times[lead] = raw[kept[0]] - (kept[0] - lead) * interval
    tail = np.arange(kept[-1] + 1, n)
    times[tail] = raw[kept[-1]] + (tail - kept[-1]) * interval
    mended = n - len(kept)
    if mended:
        warnings.append(
            f"{mended} frame time{'s' if mended > 1 else ''} equal, backward or missing: "
            "replaced by even spacing"
        )
    steps, gaps = np.diff(times), find_gaps(times)
    if len(gaps):
        lost = int(np.sum(np.round(steps[gaps] / interval) - 1))
        longest = gaps[np.argmax(steps[gaps])]
        warnings.append(
            f"{len(gaps)} gap{'s' if len(gaps) > 1 else ''} in the frame times, about {lost} "
            f"frames lost; the longest {steps[longest]:.2f} s at {times[longest]:.2f} s"
        )
    return times, tuple(warnings)


def find_gaps(t_s: FloatArray) -> NDArray[np.intp]:
    """Return the indices of the frames that a pause follows, in which others were lost.

    Parameters
    ----------
    t_s
        (n,) increasing times, s.
    """
    steps = np.diff(t_s)
    if not len(steps):
        return np.zeros(0, dtype=np.intp)
    return np.flatnonzero(steps > GAP_INTERVALS * np.median(steps))


def _longest_increasing(values: FloatArray) -> list[int]:
    """Return the indices of a longest strictly increasing subsequence (patience sorting)."""
    tails: list[float] = []
    tail_index: list[int] = []
    parent = [-1] * len(values)
    for i, value in enumerate(values):
        if not np.isfinite(value):
            continue
        place = bisect_left(tails, value)
        if place < len(tails) and tails[place] == value:
            continue  # of equal stamps the first is right: the second frame came late
        parent[i] = tail_index[place - 1] if place else -1
        if place == len(tails):
            tails.append(float(value))
            tail_index.append(i)
        else:
            tails[place] = float(value)
            tail_index[place] = i
    chain: list[int] = []
    i = tail_index[-1] if tail_index else -1
    while i >= 0:
        chain.append(i)
        i = parent[i]
    return chain[::-1]
