"""Where a spot is that is known to lie on a part: its own centre and the part's, fused."""

from __future__ import annotations

import numpy as np

from hotspot.checks import FloatArray
from hotspot.locate.centre import Centre
from hotspot.locate.parts import WITHIN_BODY, WITHIN_LOAD, Place

# Centre and part this many sigma apart contradict one another: once in 90 by chance.
CONTRADICTS = 3.0
# Chance that a shorted part of two or three terminals is warm as a whole: a chip of ceramic spreads
# heat over itself in tenths of a second, larger ones do not (common practice, no source).
WHOLE_BODY = 0.5
# Where in a body that is warm as a whole its fault lies the camera does not see: a share of the
# body's size, rms. In bodies of a second generator, whose faults lie anywhere within them, 58 % of
# the ellipses of 95 % held the fault without it; of 15 faults at a body's end (a third of its
# length off the middle, under a terminal) 40 % did with 0.08, 87 % do so.
UNSEEN_IN_BODY = 0.12
# How far a spot's centre is off where its heat fills a large body unevenly, as a share of the
# body's size: rms 0.06 of 20 spots on bodies of 8 to 23 px (`tests.benchmarks.exam`).
UNEVEN_BODY = 0.06


def fused(centre: Centre, place: Place, *, on_a_die: bool = False) -> tuple[FloatArray, FloatArray]:
    """Return position and covariance of a spot that is known to lie on a part.

    Two measurements of one place, each weighted with its information: where the heat is centred,
    which uneven emissivity and copper pull at, and where the map and the registration put the part.
    A small body conducts well enough to be warm as a whole, with the part's own centre for the
    heat's; or it is warm at one end, or somewhere on a die. Both are weighed by how well the spot's
    centre agrees with them.

    Where the two contradict one another, the spot's centre is what is off: the part was named by
    the whole of its heat, and a warm trace or a second part beside it pulls at the centre alone.
    """
    apart = place.xy_px - centre.xy_px
    own = centre.cov_px2 + place.body_px2(share=UNEVEN_BODY)
    whole = 0.0 if on_a_die else WHOLE_BODY
    somewhere = place.spread_px2(within=WITHIN_LOAD if on_a_die else WITHIN_BODY)
    if apart @ np.linalg.solve(own + somewhere, apart) > CONTRADICTS**2:
        own = own + np.outer(apart, apart)
    shares, points, covs = [], [], []
    for share, spread in ((whole, place.cov_px2), (1.0 - whole, somewhere)):
        both = own + spread
        misfit = float(apart @ np.linalg.solve(both, apart))
        shares.append(share * np.exp(-0.5 * misfit) / np.sqrt(np.linalg.det(both)))
        gain = np.linalg.solve(both, own).T  # towards the part
        points.append(centre.xy_px + gain @ apart)
        covs.append(own - gain @ own)
    share = np.array(shares) / np.sum(shares)
    at: FloatArray = share @ np.array(points)
    scatter = np.array(points) - at
    cov: FloatArray = np.einsum("m,mij->ij", share, np.array(covs))
    cov += np.einsum("m,mi,mj->ij", share, scatter, scatter)
    cov += share[0] * place.body_px2(share=UNSEEN_IN_BODY)
    return at, 0.5 * (cov + cov.T)
