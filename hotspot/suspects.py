"""Which part: what the picture says, times what is known of parts before looking.

The posterior over parts and "something else" is Bayes' rule with the likelihood ratios of
`hotspot.locate.parts`; "something else" has the average ratio over the whole picture as its own,
the likelihood of a source anywhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from hotspot.board import Board, Kind, Part, Role, find_roles
from hotspot.checks import FloatArray
from hotspot.finding import Suspect
from hotspot.locate.parts import PartScore

# Relative chance, before looking, that a part of this role and kind is the short. Ceramic
# capacitors are the commonest short on a rail, then transistors, then the load chip (common
# practice, no source); the ratios are kept mild so that the picture decides.
PRIOR_BY_ROLE = {
    Role.SHUNT: 1.0,
    Role.LOAD: 0.5,
    Role.UNKNOWN: 0.3,
    Role.SERIES: 0.05,
    Role.UNRELATED: 0.02,
}
PRIOR_BY_KIND = {
    Kind.CAPACITOR: 1.0,
    Kind.TRANSISTOR: 0.7,
    Kind.DIODE: 0.7,
    Kind.IC: 0.6,
    Kind.CONNECTOR: 0.2,
    Kind.RESISTOR: 0.1,
    Kind.INDUCTOR: 0.2,
    Kind.BEAD: 0.2,
    Kind.FUSE: 0.1,
    Kind.TEST_POINT: 0.02,
    Kind.SHIELD: 0.02,
    Kind.OTHER: 0.3,
}
# Share kept for a fault that is no part of the map: under a shield, in the board, a wrong map.
SOMETHING_ELSE = 0.05
# A part that failed before on this board type gains at most this factor, one that never did loses
# at most as much: a shop's few dozen repairs of one type are a small and biased sample (common
# practice, no source), and history must not override the picture.
MOST_HISTORY_FACTOR = 4.0
# Least probability worth a line.
LEAST_PROBABILITY = 0.005


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of a part before looking.

    Attributes
    ----------
    role
        On the rail under injection.
    weight
        Share of the prior; all parts and "something else" sum to 1.
    """

    role: Role
    weight: float


def build_priors(
    board: Board, *, rail: str | None, history: Mapping[str, int] | None = None
) -> tuple[Prior, ...]:
    """Return the prior of each part of the board, in its order.

    Parameters
    ----------
    board
        The part map.
    rail
        Name of the rail under injection; None when unknown: then every part with nets counts as
        of unknown role.
    history
        Failures by reference on this board type.
    """
    roles = [Role.UNKNOWN] * len(board.parts) if rail is None else find_roles(board, rail=rail)
    array = np.array(
        [
            PRIOR_BY_ROLE[role] * PRIOR_BY_KIND[part.kind]
            for part, role in zip(board.parts, roles, strict=True)
        ],
        dtype=np.float64,
    )
    if history:
        array *= history_factors(board, history=history)
    total = float(array.sum())
    if total > 0:
        array *= (1.0 - SOMETHING_ELSE) / total
    return tuple(Prior(role=r, weight=float(w)) for r, w in zip(roles, array, strict=True))


def history_factors(board: Board, *, history: Mapping[str, int]) -> FloatArray:
    """Return by how much each part's weight changes with what failed on this board type before.

    Counts are smoothed by one failure each (Laplace), so that one of ten is little and nine of ten
    is much; the factor then approaches its bounds smoothly, so that of two parts with many failures
    the one with more still comes first.

    Parameters
    ----------
    board
        The part map.
    history
        Failures by reference; letter case is ignored.
    """
    counts: dict[str, float] = {}
    for ref, count in history.items():
        counts[ref.casefold()] = counts.get(ref.casefold(), 0.0) + max(0, count)
    seen = np.array([counts.get(p.ref.casefold(), 0.0) for p in board.parts], dtype=np.float64)
    log = np.log((1.0 + seen) / (1.0 + seen.sum() / max(1, len(seen))))
    # Of slope 1 where it starts; the algebraic bend still tells 1000 from 1001, tanh would not.
    most = np.log(MOST_HISTORY_FACTOR)
    factors: FloatArray = np.exp(log / np.hypot(1.0, log / most))
    return factors


def posterior(
    priors: tuple[Prior, ...],
    *,
    scores: tuple[PartScore, ...],
    elsewhere: float,
) -> FloatArray:
    """Return the probability of each part; one less their sum is "something else".

    Parameters
    ----------
    priors, scores
        One of each for every part.
    elsewhere
        Log of the likelihood ratio averaged over the picture.
    """
    weight = np.array([p.weight for p in priors])
    seen = np.array([s.inside for s in scores])
    log = np.array([s.log_evidence for s in scores])
    log_else = elsewhere
    top = max(float(log.max(initial=-np.inf)), log_else)
    likelihood = np.exp(log - top)
    # A part outside the picture can still be the fault: it then left no spot, and competes with
    # the likelihood ratio 1 of "nothing seen".
    likelihood[~seen] = np.exp(0.0 - top)
    joint = weight * likelihood
    rest = max(1e-12, 1.0 - float(weight.sum())) * np.exp(log_else - top)
    out: FloatArray = joint / (float(joint.sum()) + rest)
    return out


def name_suspects(
    board: Board,
    *,
    probabilities: FloatArray,
    priors: tuple[Prior, ...],
    scores: tuple[PartScore, ...],
    distance_mm: FloatArray | None,
    spot: int | None,
    rail: str | None,
    unit: str = "mm",
    most: int = 8,
) -> tuple[Suspect, ...]:
    """Return the suspects, most probable first, each with its reason."""
    order = np.argsort(probabilities)[::-1][:most]
    out: list[Suspect] = []
    for i in order:
        if probabilities[i] < LEAST_PROBABILITY and out:
            break
        part = board.parts[i]
        # The spot has a SNR of its own; without one, the part's is all there is.
        where = f", SNR {scores[i].snr:.1f}"
        if distance_mm is not None:
            where = f", {distance_mm[i]:.1f} {unit} from the spot"
        out.append(
            Suspect(
                ref=part.ref,
                probability=float(probabilities[i]),
                spot=spot,
                why=f"{_role_words(part, priors[i].role, rail)}{where}",
            )
        )
    return tuple(out)


def _role_words(part: Part, role: Role, rail: str | None) -> str:
    kind = part.kind.value.replace("_", " ")
    words = {
        Role.SHUNT: f"{kind} from {rail} to ground",
        Role.LOAD: f"{kind} fed by {rail}",
        Role.SERIES: f"{kind} in series with {rail}: path, not fault",
        Role.UNKNOWN: f"{kind}, nets not known",
        Role.UNRELATED: f"{kind}, not on {rail}",
    }
    on_rail = rail is not None and rail.casefold() in {n.casefold() for n in part.nets}
    if role is Role.UNRELATED and on_rail:
        return f"{kind} on {rail}, but not to ground"
    return words[role]
