"""Frames that a camera delivers twice: exact copies and copies that were encoded again."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray

# A copy that was encoded again differs by far less than two looks at the scene do. Among energies
# (mean square differences) sorted on a log scale, copies are a group of their own below an empty
# gap of at least this factor (1.6 in standard deviation) ...
GAP_FACTOR = 2.5
# ... and looks at the scene scatter little: noise averaged over a zone varies by per cents, so
# nine tenths of them lie within this factor. A noiseless recording that warms ever more slowly
# spreads over decades and is left alone.
NOISE_SPREAD = 2.0


def find_repeats(energy: NDArray[np.float32], exact: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which frames carry no new look at the scene.

    Parameters
    ----------
    energy
        (n, zones, zones): mean square difference to the frame before, by zone.
    exact
        (n,) bool: equal to the frame before in every pixel.

    Returns
    -------
    (n,) bool
        Exact copies, and near copies where the energies fall into two clearly separate groups.

    Notes
    -----
    The median over zones makes a moving hand or a warming part, which fills few of them, count
    for nothing.
    """
    level = to_frame_energy(energy)
    again = exact.copy()
    split = find_energy_split(level[1:][~exact[1:]])
    if split is not None:
        again[1:] |= level[1:] < split
    return again


def to_frame_energy(energy: NDArray[np.float32]) -> FloatArray:
    """Return the (n,) median over zones."""
    out: FloatArray = np.median(energy.reshape(len(energy), -1).astype(np.float64), axis=1)
    return out


def find_energy_split(level: FloatArray) -> float | None:
    """Return the energy that divides copies from new looks, or None when there is one group."""
    positive = np.sort(level[level > 0])
    zeros = int(np.count_nonzero(level <= 0))
    if len(positive) < 4:
        return None
    logs = np.log(positive)
    best: tuple[float, float] | None = None
    gaps = np.diff(logs)
    for cut in np.flatnonzero(gaps >= np.log(GAP_FACTOR)):
        upper = logs[cut + 1 :]
        # The upper group must be the scene's noise: many frames, little scatter.
        if len(upper) < max(3, 0.1 * len(level)):
            continue
        low, middle, high = np.quantile(upper, [0.05, 0.5, 0.95])
        if high - low > np.log(NOISE_SPREAD) * 2 or middle - low > np.log(NOISE_SPREAD):
            continue
        if best is None or gaps[cut] > best[0]:
            best = (float(gaps[cut]), float(np.exp((logs[cut] + logs[cut + 1]) / 2)))
    if best is not None:
        return best[1]
    # Copies may differ in so few pixels that most zones show nothing at all.
    if zeros and np.quantile(logs, 0.95) - logs[0] < np.log(NOISE_SPREAD) * 2:
        return float(positive[0]) / 2
    return None
