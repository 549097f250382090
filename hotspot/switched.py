"""Which of several explanations of a recording by switching holds: the heat itself tells."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hotspot.heat.fit import HeatFit, fit_heat
from hotspot.heat.switching import SwitchingEstimate
from hotspot.line import Line
from hotspot.locate.detect import Scores
from hotspot.locate.field import Field, build_field
from hotspot.locate.parts import WITHIN_LOAD, score_parts
from hotspot.locate.scorer import Scorer
from hotspot.locate.templates import build_templates
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
# So near to the strongest place it is a matter of one spot's shape, px.
ONE_SPOT_PX = 12.0


def choose_switching(
    line: Line, proposed: tuple[SwitchingEstimate, ...]
) -> tuple[SwitchingEstimate, HeatFit | None]:
    """Return the switching that explains the most heat at a part of the rail, and its fit.

    A draught, a cloud or a passing hand changes a picture more than a weak short does, and a search
    for whatever changes finds it first. But what it does runs all over the picture, while what the
    current does is a spot on one part of the rail; how seldom noise explains the course counts
    beside it. Where no proposal leads to such a spot, the one
    the search is surest of stands. The fit is None where nothing was switched, or left no trace.

    Parameters
    ----------
    line
        What is known.
    proposed
        From `hotspot.line.switchings_of`, the most significant first.
    """
    best, best_fit = proposed[0], _fit(line, proposed[0])
    if len(proposed) == 1 or not line.on_rail:
        return best, best_fit
    least, most = float(np.log(LEAST_EVIDENCE)), -np.inf
    fits = (best_fit, *(_fit(line, estimate) for estimate in proposed[1:]))
    for estimate, fit in zip(proposed, fits, strict=True):
        if fit is None:
            continue
        at_parts, elsewhere = _evidence(line, fit)
        # Evidence of the course over time and of the place are of one recording, but not the same:
        # wandering pads follow some step or other closely, though no train.
        both = at_parts - float(np.log(max(estimate.switching.significance, LEAST_CHANCE)))
        if at_parts > max(AT_PARTS * elsewhere, least) and both > most:
            best, best_fit, most = estimate, fit, both
    return best, best_fit


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


def _evidence(line: Line, fit: HeatFit) -> tuple[float, float]:
    """Log evidence of heat at the best part of the rail, and of heat anywhere."""
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
    return max(s.log_evidence for s in seen), elsewhere


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
