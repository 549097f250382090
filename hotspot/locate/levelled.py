"""Score maps brought to the noise that each template really meets in this picture.

Theory tells the noise of a filtered picture from its spectrum, and errs on the safe side where
drift removal has taken some of the noise along with the drift: of wide templates on a small sensor
half of it. Most of a picture holds nothing, so what a template shows all over it tells its noise.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.bands import MAD_EFFICIENCY
from hotspot.heat.robust import robust_sigma
from hotspot.locate.detect import Scores

# Theory is good to this share of a template's noise (one sigma; in nine of ten of 326 recordings
# with nothing shorted the least noisy template had 0.59 to 0.99 of it, the noisiest 0.94 to 1.52).
THEORY_SPREAD = 0.25
# Pixels looked at: scores of neighbours are nearly the same, and a robust scale from so many that
# were independent would be good to half a per cent.
MOST_PIXELS = 20_000


def levelled(scores: Scores, *, allowed: NDArray[np.bool_]) -> Scores:
    """Return scores in units of each template's own noise, as far as the picture tells it.

    Parameters
    ----------
    scores
        In units of the noise of theory, without the spots that are known.
    allowed
        (rows, cols) pixels in which a spot may be found.
    """
    if not allowed.any():
        return scores
    level = measure_levels(scores, allowed=allowed)
    return replace(
        scores,
        z=scores.z / level.astype(np.float32)[:, None, None],
        energy=scores.energy / level**2,
    )


def measure_levels(scores: Scores, *, allowed: NDArray[np.bool_]) -> FloatArray:
    """Return the noise of each template (m,) in units of theory's.

    What the picture tells by the median absolute deviation is as good as the number of places in it
    that are independent of one another: an area over pi times the square of the reach of the noise,
    of which the roughness is one over the square (Adler & Taylor, Random Fields and Geometry). What
    theory tells is good to `THEORY_SPREAD`. The two are averaged as logarithms, each with the
    weight of one over its variance (that of a logarithm of a deviation from n values is 1 / 2n).

    Parameters
    ----------
    scores, allowed
        As for `levelled`.
    """
    step = max(1, round(float(np.sqrt(allowed.size / MOST_PIXELS))))
    z, looked_at = scores.z[:, ::step, ::step], allowed[::step, ::step]
    if not looked_at.any():
        z, looked_at = scores.z, allowed
    seen = np.array([robust_sigma(one[looked_at]) for one in z])
    places = np.sum(allowed) * scores.roughness / np.pi
    weight = 1.0 / (1.0 + 1.0 / (2 * MAD_EFFICIENCY * np.maximum(places, 1e-9) * THEORY_SPREAD**2))
    out: FloatArray = np.where(seen > 0, np.maximum(seen, 1e-9) ** weight, 1.0)
    return out
