"""Heat that is evident as it is: far above its noise, and in step with the injection."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# Share of a strong spot's energy that its time course, a little unlike all in the family, may leave
# in all quiet contrasts together: a body four times quicker than the quickest leaves 3.5 %. What
# moves at times of its own leaves several times as much there as in the signal contrasts.
LEAK_SHARE = 0.05
# Heat that one pixel shows this far above its noise, with this share of it out of step at most, is
# evident as it is; what its time course has that no model has may look like mirrors around it.
# Hands reached 200.
EVIDENT = ((60.0, LEAK_SHARE), (300.0, 0.3))


def is_evident(
    signal: NDArray[np.float32], *, quiet: NDArray[np.float32], bad: NDArray[np.bool_]
) -> bool:
    """Return whether the warmest pixel shows heat that nothing else can be taken for.

    Parameters
    ----------
    signal, quiet
        (k, rows, cols) and (r, rows, cols) maps of signal and of quiet contrasts.
    bad
        (rows, cols) pixels that say nothing.
    """
    energy = np.where(bad, 0, np.sum(signal**2, axis=0))
    row, column = np.unravel_index(int(np.argmax(energy)), energy.shape)
    most = float(energy[row, column])
    share = float(np.sum(quiet[:, row, column] ** 2)) / max(most, 1e-12)
    return any(most > snr**2 and share < out_of_step for snr, out_of_step in EVIDENT)
