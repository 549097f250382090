"""Which of several explanations of a recording by switching holds: the heat itself tells."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hotspot.heat.again import seen_again
from hotspot.heat.calm import at_rest
from hotspot.heat.fit import HeatFit, fit_heat
from hotspot.heat.switching import SwitchingEstimate
from hotspot.line import Line
from hotspot.locate.detect import Scores
from hotspot.locate.field import Field, build_field
from hotspot.locate.parts import WITHIN_LOAD, Place, score_parts
from hotspot.locate.scorer import Scorer
from hotspot.locate.templates import build_templates
from hotspot.nearby import ONE_SPOT_PX
from hotspot.weigh import elsewhere_evidence, tempered

# Evidence of heat at a part that decides between switchings is this much at least, a factor: noise
# reaches it at one of twenty parts less than once in twenty (Markov's inequality).
LEAST_EVIDENCE = 400.0
# Evidence at the best part is this share at least of that anywhere, in logs: a spot that is
# brightest somewhat beside a part is still the part's (0.97 and more, three strong ones), while
# switching that a draught kept had 0.58 and less there (six proposals).
AT_PARTS = 0.8
# Smaller chances are not told apart: they say how well the noise model holds in its far tail.
LEAST_CHANCE = 1e-9
# Where one pixel shows heat this far above the noise the moments are known well, and what the
# answers' shapes lack would move them more than noise does.
MOST_SNR = 30.0
# Heat at a part and nowhere else needs no comparison from so many nats on, thirty times the noise,
# if it is what the strongest pixel shows: a part's filter hears half of a pixel's squared SNR or
# more, while a wrong switching of strong heat left it a hundredth.
ENOUGH, ENOUGH_SHARE = 450.0, 0.25
# Edges within this of one another are the same edge, told at two places, s.
SAME_EDGE_S = 0.4
# What edges seen again must explain more, nats: one more or less is placed freely among some two
# hundred bins, and one that is moved follows the noise by a third to a half: a train of fifty edges
# that was read off noise gained 15 by their moves.
MOVED_NATS = 1.0
EDGE_NATS = 2.5


def choose_switching(
    line: Line, proposed: tuple[SwitchingEstimate, ...]
) -> tuple[SwitchingEstimate, HeatFit | None]:
    """Return the switching that explains the most heat at a part of the rail, and its fit.

    A draught, a cloud or a passing hand changes a picture more than a weak short does, and a search
    for whatever changes finds it first. But what it does runs all over the picture, while what the
    current does is a spot on one part of the rail; how seldom noise explains the course counts
    beside it. Where no proposal leads to such a spot, the one the search is surest of stands. The
    fit is None where nothing was switched, or left no trace. Weak heat then tells the moments
    better than the search did.

    Parameters
    ----------
    line
        What is known.
    proposed
        From `hotspot.line.switchings_of`, the most significant first.
    """
    first, first_fit = proposed[0], _fit(line, proposed[0])
    if not line.on_rail or line.recording.injection is not None:
        return first, first_fit
    if len(proposed) == 1 and (first_fit is None or _strongest_snr(line, first_fit) > MOST_SNR):
        return first, first_fit
    chosen, most, settled = None, -np.inf, False
    for estimate in proposed:
        # What is settled may still be told better: with an edge more, or one less.
        if settled and chosen is not None and not _akin(estimate, chosen.estimate):
            continue
        fit = first_fit if estimate is first else _fit(line, estimate)
        if fit is None:
            continue
        seen = _Seen(estimate, fit, evidence_of(line, fit))
        # Evidence of the course over time and of the place are of one recording, but not the same:
        # wandering pads follow some step or other closely, though no train.
        chance = max(estimate.switching.significance, LEAST_CHANCE)
        both = seen.evidence.alone - float(np.log(chance))
        if seen.evidence.is_at_a_part and both > most:
            chosen, most = seen, both
        enough = max(ENOUGH, ENOUGH_SHARE * _strongest_snr(line, fit) ** 2)
        settled = settled or (seen.evidence.is_at_a_part and seen.evidence.alone > enough)
    if chosen is None:
        return first, first_fit
    if _strongest_snr(line, chosen.fit) < MOST_SNR:
        chosen = _better_timed(line, chosen)
    return chosen.estimate, chosen.fit


def _akin(a: SwitchingEstimate, b: SwitchingEstimate) -> bool:
    """Whether two switchings share most of their edges: on where the other is on, too."""
    one, other = (np.array(e.switching.edges_s) for e in (a, b))
    shared = sum(
        int(np.sum(np.abs(one[on::2, None] - other[on::2]) < SAME_EDGE_S)) for on in (0, 1)
    )
    return 2 * shared > max(len(one), len(other))


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """A switching, its fit, and the evidence of heat in it."""

    estimate: SwitchingEstimate
    fit: HeatFit
    evidence: Evidence


def _better_timed(line: Line, seen: _Seen) -> _Seen:
    """Return the switching with its edges where the warm part insists, if that is more heat."""
    part = seen.evidence.part
    rested = at_rest(replace(line.calm_bins, movers=seen.fit.free))
    for estimate in seen_again(
        rested,
        seen.estimate,
        place=part.xy_px,
        cov_px2=part.heat_cov_px2() + line.sigma_px**2 * np.eye(2),
        emissivity=line.emissivity,
        mm_per_px=line.mm_per_px,
    ):
        fit = _fit(line, estimate)
        if fit is None:
            continue
        now, before = evidence_of(line, fit), seen.evidence
        edges, known = estimate.switching.edges_s, seen.estimate.switching.edges_s
        least = EDGE_NATS * abs(len(edges) - len(known)) + MOVED_NATS * len(edges)
        gained = min(now.at_part - before.at_part, now.alone - before.alone)
        if now.is_at_a_part and gained > least:
            seen = _Seen(estimate, fit, now)
    return seen


def _fit(line: Line, estimate: SwitchingEstimate) -> HeatFit | None:
    drive = estimate.drive
    if len(drive.t_s) == 0 or not (drive.level > 0).any():
        return None
    try:
        return fit_heat(line.calm_bins, drive, frame_t_s=line.audit.t_s)
    except np.linalg.LinAlgError:
        raise  # a ValueError too, but a fault of the arithmetic, not of the drive
    except ValueError:
        return None


def _strongest_snr(line: Line, fit: HeatFit) -> float:
    """SNR of the pixel that shows most."""
    power = np.sum(fit.maps**2, axis=0)
    return float(np.sqrt(np.max(power, where=~line.calm_bins.bad, initial=0.0)))


@dataclass(frozen=True, slots=True)
class Evidence:
    """Log evidence of heat.

    Attributes
    ----------
    part
        The best part of the rail.
    at_part, elsewhere
        Of heat there, and of heat anywhere.
    away
        Of heat far from it. The path to a short is warm as well: far is what is far from series
        parts, too.
    """

    part: Place
    at_part: float
    elsewhere: float
    away: float

    @property
    def is_at_a_part(self) -> bool:
        """Whether there is heat, and it is the part's."""
        return self.at_part > max(AT_PARTS * self.elsewhere, float(np.log(LEAST_EVIDENCE)))

    @property
    def alone(self) -> float:
        """What does the same in other places as well is the room's doing, however surely."""
        return self.at_part - max(self.away, 0.0)


def evidence_of(line: Line, fit: HeatFit) -> Evidence:
    """Return the evidence of heat at the parts of the rail and elsewhere."""
    field = build_field(
        fit.maps,
        quiet=fit.quiet,
        bad=line.calm_bins.bad,
        bands=fit.bands,
        doubt=fit.doubt,
        beside=line.beside,
    )
    templates = build_templates(line.mm_per_px, dimmed=line.emissivity is not None)
    scorer = Scorer(fit, templates, sigma_px=line.sigma_px, emissivity=line.emissivity)
    scores = scorer.score(field)
    # A large body may be warmest near a corner: anywhere in a body will do.
    anywhere = (WITHIN_LOAD,) * len(line.on_rail)
    elsewhere = elsewhere_evidence(scores, field)
    seen = score_parts(_shape_forgiven(scores, field), places=line.on_rail, within=anywhere)
    best = int(np.argmax([s.log_evidence for s in seen]))
    own = [line.on_rail[best], *line.on_path]
    y, x = np.indices(field.shape)
    far = field.searched.copy()
    for place in own:
        far &= np.hypot(x - place.xy_px[0], y - place.xy_px[1]) > place.radius_px + ONE_SPOT_PX
    away = elsewhere_evidence(scores, replace(field, bad=field.bad | ~far)) if far.any() else 0.0
    return Evidence(line.on_rail[best], seen[best].log_evidence, elsewhere, away)


def _shape_forgiven(scores: Scores, field: Field) -> Scores:
    """Return scores that tell places on the strongest spot apart no better than its shape is known.

    Only there: what is far from it is no part of it.
    """
    strongest = np.where(field.searched, scores.z.max(axis=0), -np.inf)
    row, column = np.unravel_index(int(np.argmax(strongest)), strongest.shape)
    y, x = np.ogrid[: strongest.shape[0], : strongest.shape[1]]
    near = np.hypot(x - column, y - row) < ONE_SPOT_PX
    forgiven = tempered(scores, float(strongest[row, column]))
    return replace(scores, z=np.where(near, forgiven.z, scores.z))
