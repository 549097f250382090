"""Weighing: which spot is path, which is fault, and which part carries it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from hotspot.board import Board, Kind, Role
from hotspot.checks import FloatArray
from hotspot.finding import Spot, Suspect
from hotspot.fusion import fused
from hotspot.locate.centre import log_evidence
from hotspot.locate.detect import Scores
from hotspot.locate.field import Field
from hotspot.locate.parts import (
    WITHIN_BODY,
    WITHIN_LOAD,
    WITHIN_SERIES,
    PartScore,
    Place,
    score_parts,
    score_parts_of_each,
)
from hotspot.locate.spots import FoundSpot
from hotspot.nearby import (
    USUAL_MM_PER_PX,
    chance_where,
    far_parts,
    parts_of_others,
    without_others,
)
from hotspot.register.registration import Registration
from hotspot.suspects import Prior, name_suspects, posterior

# Chance, before looking, that a given spot is the series part on the way to the short rather than
# the short: both carry the same current, and either may be the warmer (common practice, no
# source).
PATH_SHARE = 0.4


# Chance that a series part shows a second spot that its first does not leave over (common practice,
# no source: a coil is warm in one piece, its leads rarely by themselves).
SECOND_SPOT = 0.1
# ... and that it shows one far from itself (`hotspot.nearby.ONE_SPOT_PX`): its heat is as wide as
# the board lets it be, but brightest at the part. What is as strong there is of another making, and
# evidence of nothing here.
FAR_SPOT = 0.001

# The leads and traces of a coil warm with it about this far, mm (common practice, no source).
AROUND_SERIES_MM = 0.8
# A spot is a fault of its own when a part that may be one explains it with this probability.
ON_A_PART = 0.3
# A part named with this probability tells where its heat is.
ON_THIS_PART = 0.9
# A spot of this share of another's SNR is nearly as strong.
NEARLY = 0.5
# A model of a spot is never better than this share of it: bodies are not points, boards not even.
# Above a SNR of 1 / 0.15 the evidence between places on the spot saturates at what 15 % of the spot
# weigh, which amounts to a systematic position error of about 0.3 px.
MODEL_ERROR = 0.15
# How far out that error counts: it reaches about twice as far as the spot (bodies, traces, uneven
# copper around it). Of round spots of width s and 2 s at a distance d the normalised products are
# exp(-d² / 4 s²) and, between two of the wider ones, its fourth root; a variance goes with the
# square of that.
MODEL_REACH = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """Spots with their roles, and the suspects.

    Attributes
    ----------
    spots
        Strongest first.
    suspects
        Most probable first.
    warnings
        Sentences for the technician.
    on_rail
        Probability of the likeliest part that the current can reach and that can fail under it,
        where the heat is, the parts that other spots are at left out.
    on_any
        The same of any part there.
    """

    spots: tuple[Spot, ...]
    suspects: tuple[Suspect, ...]
    warnings: tuple[str, ...]
    on_rail: float = 0.0
    on_any: float = 0.0


def tempered(scores: Scores, snr: float) -> Scores:
    """Return scores of a spot of this SNR whose differences count the error of its model.

    Two places explain a spot of score Z with scores z: what one leaves over, Z² - z², is judged
    against the noise and the model's error there, which is full under the spot and fades with the
    overlap z / Z. So places on the spot are told apart no better than its shape is known, while
    that something is warm there, and not far from it, counts in full: no error of a spot's shape
    explains the spot away.
    """
    z = np.clip(scores.z, np.float32(0), np.float32(snr))
    noise = z / np.float32(max(snr, 1e-9))
    # In place: these are tens of megabytes.
    noise **= MODEL_REACH
    noise *= np.float32((MODEL_ERROR * snr) ** 2)
    noise += np.float32(1)
    square = np.float32(snr**2)
    np.subtract(square, np.square(z, out=z), out=z)
    np.subtract(square, np.divide(z, noise, out=z), out=z)
    return replace(scores, z=np.sqrt(np.maximum(z, np.float32(0), out=z), out=z))


def elsewhere_evidence(scores: Scores, field: Field) -> float:
    """Return the log likelihood ratio of a source anywhere in the picture."""
    evidence = log_evidence(scores.z)[field.searched]
    top = float(evidence.max())
    return top + float(np.log(np.mean(np.exp(evidence - top))))


def path_probability(
    priors: tuple[Prior, ...],
    *,
    scores: tuple[PartScore, ...],
    elsewhere: float,
    taken: frozenset[int] = frozenset(),
    beside: frozenset[int] = frozenset(),
    far: frozenset[int] = frozenset(),
) -> float:
    """Return the probability that a spot is a series part of the rail.

    Parameters
    ----------
    priors, scores
        One of each for every part.
    elsewhere
        Log evidence of heat anywhere.
    taken
        Parts whose own spot is known, and too weak to leave this one over.
    beside
        Parts that another spot is at.
    far
        Parts that this spot is far from.
    """
    series = [
        i
        for i, p in enumerate(priors)
        if p.role is Role.SERIES and scores[i].inside and i not in beside
    ]
    if not series:
        return 0.0
    log = np.array([s.log_evidence for s in scores])
    top = max(float(log.max()), elsewhere)
    share = np.array([SECOND_SPOT if i in taken else 1.0 for i in series])
    share *= np.array([FAR_SPOT if i in far else 1.0 for i in series])
    path = PATH_SHARE * float(np.mean(share * np.exp(log[series] - top)))
    weights = np.array([0.0 if p.role is Role.SERIES else p.weight for p in priors])
    inside = np.array([s.inside for s in scores])
    fault = (1 - PATH_SHARE) * float(
        np.sum(weights[inside] * np.exp(log[inside] - top)) + 0.05 * np.exp(elsewhere - top)
    )
    return path / max(path + fault, 1e-300)


def weigh(
    found: tuple[FoundSpot, ...],
    *,
    board: Board | None,
    rail: str | None,
    places: tuple[Place, ...],
    priors: tuple[Prior, ...],
    registration: Registration,
    field: Field,
    rest: Scores,
    peak_k: Callable[[FoundSpot], float],
    mm_per_px: float | None,
) -> Weighed:
    """Return spots with roles and suspects with probabilities.

    Parameters
    ----------
    found
        Significant spots, strongest first.
    board, rail, places, priors
        The part map, the rail, where its parts lie in the picture and what is known of them.
    registration
        For positions on board and photo.
    field
        Contrast maps.
    rest
        Scores of what is left when all spots are taken away.
    peak_k
        Peak rise of a spot.
    mm_per_px
        Scale, or None.
    """
    centres = [s.centre.xy_px for s in found]
    # Each spot is judged where it was found: stronger ones taken away, weaker ones not, for taking
    # a weak neighbour out takes some of the strong one with it.
    stacks = []
    for spot, (x, y) in zip(found, centres, strict=True):
        row, col = max(round(float(y)), 1), max(round(float(x)), 1)
        own = float(spot.scores.z[:, row - 1 : row + 2, col - 1 : col + 2].max())
        stacks.append(tempered(spot.scores, own))
    roles = ["unknown"] * len(found)
    part_scores: list[tuple[PartScore, ...]] = []
    series = np.array([p.role is Role.SERIES for p in priors])
    spread = {Role.SERIES: WITHIN_SERIES, Role.LOAD: WITHIN_LOAD}
    within = tuple(spread.get(p.role, WITHIN_BODY) for p in priors)
    around = tuple(AROUND_SERIES_MM / (mm_per_px or USUAL_MM_PER_PX) if s else 0.0 for s in series)

    def near(
        chances: FloatArray, px: FloatArray | None, of: tuple[Prior, ...] | None = priors
    ) -> float:
        return chance_where(chances, priors=of, places=places, near_px=px, mm_per_px=mm_per_px)

    if board is not None and places:
        own_spot: dict[int, float] = {}  # SNR by series part
        part_scores = score_parts_of_each(stacks, places=places, within=within, around_px=around)
        for i, stack in enumerate(stacks):
            elsewhere = elsewhere_evidence(stack, field)
            # What the model of a stronger spot leaves over may be the same part's.
            known = frozenset(
                part for part, snr in own_spot.items() if snr < found[i].centre.snr / MODEL_ERROR
            )
            path = path_probability(
                priors,
                scores=part_scores[i],
                elsewhere=elsewhere,
                taken=known,
                beside=parts_of_others(places, centres_px=centres, own=i),
                far=far_parts(places, xy_px=centres[i], around_px=around),
            )
            if path > 0.5:
                roles[i] = "path"
                evidence = np.array([score.log_evidence for score in part_scores[i]])
                hottest = int(np.argmax(np.where(series, evidence, -np.inf)))
                own_spot.setdefault(hottest, found[i].centre.snr)
                continue
            chances = posterior(priors, scores=part_scores[i], elsewhere=elsewhere)
            if near(chances, centres[i]) > ON_A_PART:
                roles[i] = "fault"
        fault = _fault_of(roles, snr=[s.centre.snr for s in found])
        if fault is not None:
            roles[fault] = "fault"
    spots = tuple(
        _spot(s, role=role, registration=registration, peak=peak_k(s))
        for s, role in zip(found, roles, strict=True)
    )
    if board is None or not places:
        return Weighed(spots=spots, suspects=(), warnings=())
    fault = _fault_of(roles, snr=[s.centre.snr for s in found])
    warnings: list[str] = []
    if fault is not None:
        stack, seen = stacks[fault], part_scores[fault]
        at: FloatArray | None = centres[fault]
    else:
        stack = rest
        seen = score_parts(stack, places=places, within=within, around_px=around)
        at = None
        if found:
            warnings.append(
                "Only the path of the current is warm: raise the current as planned, or look for"
                " the short beyond it"
            )
    probabilities = posterior(priors, scores=seen, elsewhere=elsewhere_evidence(stack, field))
    distance = None
    if at is not None and registration.board_from_thermal is not None:
        x, y = registration.board_from_thermal.map(at)
        distance = np.array([np.hypot(p.x_mm - x, p.y_mm - y) for p in board.parts])
    suspects = name_suspects(
        board,
        probabilities=probabilities,
        priors=priors,
        scores=seen,
        distance_mm=distance,
        spot=fault,
        rail=rail,
        unit="mm" if board.units == "mm" else "photo px",
    )
    others = frozenset[int]()
    if fault is not None:
        others = parts_of_others(places, centres_px=centres, own=fault)
    named = int(np.argmax(probabilities))
    # The likeliest part may be another spot's: it says nothing of where this one is.
    if fault is not None and probabilities[named] > ON_THIS_PART and named not in others:
        xy_px, cov = fused(
            found[fault].centre, places[named], on_a_die=board.parts[named].kind is Kind.IC
        )
        centre = replace(found[fault].centre, xy_px=xy_px, cov_px2=cov)
        moved = _spot(
            replace(found[fault], centre=centre),
            role="fault",
            registration=registration,
            peak=spots[fault].peak_k,
        )
        spots = (*spots[:fault], moved, *spots[fault + 1 :])
    probabilities = without_others(probabilities, others=others)
    return Weighed(
        spots=spots,
        suspects=suspects,
        warnings=tuple(warnings),
        on_rail=near(probabilities, at),
        on_any=near(probabilities, at, None),
    )


def _fault_of(roles: list[str], *, snr: list[float]) -> int | None:
    """Index of the spot that is the fault: the strongest that is not path.

    Where the map has no part that can fail under it, one nearly as strong that has comes first.
    """
    own = [i for i, role in enumerate(roles) if role != "path"]
    if not own:
        return None
    on_a_part = [i for i in own if roles[i] == "fault" and snr[i] >= NEARLY * snr[own[0]]]
    return on_a_part[0] if on_a_part else own[0]


def _spot(found: FoundSpot, *, role: str, registration: Registration, peak: float) -> Spot:
    centre = found.centre
    board_map, photo_map = registration.board_from_thermal, registration.photo_from_thermal
    return Spot(
        xy_px=centre.xy_px,
        cov_px2=centre.cov_px2,
        snr=centre.snr,
        peak_k=peak,
        role=role,
        xy_mm=None if board_map is None else board_map.map(centre.xy_px),
        cov_mm2=(
            None if board_map is None else board_map.point_cov(centre.xy_px, cov=centre.cov_px2)
        ),
        photo_xy_px=None if photo_map is None else photo_map.map(centre.xy_px),
    )
