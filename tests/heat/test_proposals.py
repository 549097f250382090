"""How sure a switching that nobody logged must be before its heat is looked at."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.heat.looks import see_at
from hotspot.heat.proposals import MOST_TRAIN_CHANCE, Proposal, find_proposals
from hotspot.heat.switching import CONSIDER
from tests.heat.made_frames import celsius
from tests.heat.test_loudest import MADE, calmed

FEWEST_EDGES = 8
PLACES = np.array([(x, y) for y in range(3, 22, 5) for x in range(4, 30, 5)], dtype=float)


def trains(seed: int) -> list[Proposal]:
    """Trains of pulses read off frames of nothing but noise."""
    made = replace(MADE, rows=24, cols=32, drift_k=0.0, peak_k=0.0, seed=seed)
    seen = see_at(
        calmed(made, celsius(made)),
        places=PLACES,
        cov_px2=np.broadcast_to(np.eye(2), (len(PLACES), 2, 2)),
        emissivity=None,
        mm_per_px=None,
    )
    found = find_proposals(seen, handicap=1.0, most=3, limit=CONSIDER)
    return [p for p in found if len(p.edges_s) >= FEWEST_EDGES]


@pytest.mark.parametrize("seed", [12, 28, 33, 46])
def test_a_train_that_is_hardly_sure_is_not_proposed(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Noise makes one in a tenth of recordings; a step as sure as that would be considered."""
    assert trains(seed) == []
    monkeypatch.setattr("hotspot.heat.proposals.MOST_TRAIN_CHANCE", 1.0)
    assert MOST_TRAIN_CHANCE < trains(seed)[0].chance < CONSIDER
