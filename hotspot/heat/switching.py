"""When the output was switched, found in the frames themselves.

A technician who switches by hand writes nothing down. The switching is then estimated: a step (on,
perhaps off again) or a pulse train, whichever explains the time course of some place best, with a
significance that accounts for everything that was tried.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.calm import CalmBins, at_rest
from hotspot.heat.drive import Drive, drive_from_edges, period_of
from hotspot.heat.heatmap import Switching
from hotspot.heat.looks import Seen, see_at, see_everywhere
from hotspot.heat.proposals import Proposal, find_loudest, find_proposals

# Switching found is believed below this chance.
BELIEVE = 0.03
# Beside one that is believed, another seen at a part of the rail is considered below this one: what
# is surest in the picture may be a draught, and the heat itself decides between them.
CONSIDER = 0.15
# ... and below this one it needs no further proof from the places it was found at.
CERTAIN = 0.005
# Seen at the parts with less chance than this, nothing in the wide picture can make it surer; the
# wide search costs as much time again.
BEYOND_DOUBT = 1e-9
# Picture-wide, thousands of places include some that misbehave in ways no model has: their word
# counts this much less than that of the parts on the rail.
WIDE_HANDICAP = 30.0
# Steps seen at this many places are proposed at most, and so many trains.
MOST_SEEN = 3
# Edges within this of one another tell the same: less than the onset of a weak short is known to.
ALIKE_S = 0.3
THREADS = 2  # a bench laptop has two cores


@dataclass(frozen=True, slots=True, eq=False)
class SwitchingEstimate:
    """Switching found in the frames.

    Attributes
    ----------
    switching
        Edges and significance; without edges when none was found.
    drive
        The drive, empty when none was found.
    trials
        Effective number of switchings tried: what a false-alarm probability must be multiplied
        by. 1 where the significance alone is proof enough.
    """

    switching: Switching
    drive: Drive
    trials: float


def propose_switchings(
    calm_bins: CalmBins,
    *,
    places: FloatArray | None = None,
    place_cov_px2: FloatArray | None = None,
    emissivity: NDArray[np.float32] | None = None,
    mm_per_px: float | None = None,
    beside: NDArray[np.bool_] | None = None,
) -> tuple[SwitchingEstimate, ...]:
    """Return when the output may have been switched, as far as the frames tell.

    What switches with the output is not the only thing that changes in a picture: a draught may
    look surer than a weak short. Which of several explanations holds, the heat itself must tell.

    Parameters
    ----------
    calm_bins
        Drift-free bins with their noise.
    places
        (m, 2) places (x, y) in px where heat is expected (parts on the rail); they need far less
        signal than a search over the whole picture. None when not known.
    place_cov_px2
        (m, 2, 2) extent of the heat at each: optics, body, error of the registration; a sharp
        spot's when None.
    emissivity
        (rows, cols) how much of the heat each pixel shows, or None.
    mm_per_px
        Scale, or None.
    beside
        (rows, cols) what lies beside the board, where nothing is switched; None when unknown.

    Returns
    -------
    tuple of SwitchingEstimate
        The most significant first: steps seen at different places, and trains. One without edges
        where none was found.
    """
    found: list[Proposal] = []
    looks: list[Seen] = []
    quiet: Seen | None = None
    rested = at_rest(calm_bins)
    if places is not None and len(places):
        cov = np.broadcast_to(np.eye(2), (len(places), 2, 2))
        # What moves may be the heat itself, or like it: then it is seen as it is.
        moving = replace(calm_bins, movers=calm_bins.movers[:, :0])
        looked = [(moving, False), (rested, False), (rested, True), (moving, True)]
        if not calm_bins.movers.shape[1]:
            looked = [(moving, False), (moving, True)]

        def seen_in(how: tuple[CalmBins, bool]) -> Seen:
            return see_at(
                how[0],
                places=places,
                cov_px2=cov if place_cov_px2 is None else place_cov_px2,
                emissivity=emissivity,
                mm_per_px=mm_per_px,
                wide=how[1],
            )

        def proposed_in(how: tuple[CalmBins, bool]) -> tuple[Seen, list[Proposal]]:
            seen = seen_in(how)
            return seen, find_proposals(seen, handicap=1.0, most=MOST_SEEN, limit=CONSIDER)

        first, found = proposed_in(looked[0])
        looks.append(first)
        if _surest(found) > BEYOND_DOUBT:
            with ThreadPoolExecutor(THREADS) as pool:
                others = list(pool.map(proposed_in, looked[1:]))
            for seen, proposals in others:
                looks.append(seen)
                found = found + proposals
        elif calm_bins.movers.shape[1]:
            looks.append(seen_in(looked[1]))
        quiet = looks[1] if calm_bins.movers.shape[1] else None
    if _surest(found) > BEYOND_DOUBT:
        everywhere = see_everywhere(rested, beside=beside)
        looks.append(everywhere)
        found += find_proposals(everywhere, handicap=WIDE_HANDICAP, most=1, limit=BELIEVE)
    else:
        # However sure, it may be a pad that wanders, and what is less sure the short.
        found = [f for f in found if f.chance < CERTAIN]
    # However sure another is: where all is warm, the hottest place tells the times best; where a
    # hand is mirrored, the hottest with that taken out.
    found += find_loudest(looks[0])
    if quiet is not None:
        found += find_loudest(quiet, at_rest=True)
    believed = _unlike(sorted(found, key=lambda f: f.chance))
    if believed and believed[0].chance > BELIEVE:
        believed = []
    if not believed:
        nothing = SwitchingEstimate(
            switching=Switching(source="estimated", significance=1.0),
            drive=Drive(t_s=np.zeros(0), level=np.zeros(0)),
            trials=1.0,
        )
        return (nothing,)
    return tuple(
        SwitchingEstimate(
            switching=Switching(
                source="estimated",
                edges_s=f.edges_s,
                onset_s=f.edges_s[0],
                period_s=period_of(f.edges_s),
                significance=f.chance,
            ),
            drive=drive_from_edges(f.edges_s),
            trials=1.0 if f.chance < CERTAIN else f.trials,
        )
        for f in believed
    )


def _surest(found: list[Proposal]) -> float:
    return min((f.chance for f in found), default=1.0)


def _unlike(proposals: list[Proposal]) -> list[Proposal]:
    """Return proposals without those that say nearly the same as a surer one before them."""
    out: list[Proposal] = []
    for proposal in proposals:
        edges = np.array(proposal.edges_s)
        if not any(
            len(edges) == len(known.edges_s)
            and np.abs(edges - np.array(known.edges_s)).max() < ALIKE_S
            for known in out
        ):
            out.append(proposal)
    return out
