"""Which of several explanations of a recording by switching holds: the heat itself tells."""

from __future__ import annotations

import numpy as np

from hotspot.heat.fit import HeatFit, fit_heat
from hotspot.heat.switching import SwitchingEstimate
from hotspot.line import Line
from hotspot.locate.field import build_field
from hotspot.locate.parts import WITHIN_LOAD, score_parts
from hotspot.locate.scorer import Scorer
from hotspot.locate.templates import build_templates
from hotspot.weigh import elsewhere_evidence

# Evidence of heat at a part that decides between switchings is this much at least, a factor: noise
# reaches it at one of twenty parts less than once in twenty (Markov's inequality).
LEAST_EVIDENCE = 400.0


def choose_switching(
    line: Line, proposed: tuple[SwitchingEstimate, ...]
) -> tuple[SwitchingEstimate, HeatFit | None]:
    """Return the switching that explains the most heat at a part of the rail, and its fit.

    A draught, a cloud or a passing hand changes a picture more than a weak short does, and a search
    for whatever changes finds it first. But what it does runs all over the picture, while what the
    current does is a spot on one part of the rail. Where no proposal leads to such a spot, the one
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
    most = float(np.log(LEAST_EVIDENCE))
    fits = (best_fit, *(_fit(line, estimate) for estimate in proposed[1:]))
    for estimate, fit in zip(proposed, fits, strict=True):
        if fit is None:
            continue
        at_parts, elsewhere = _evidence(line, fit)
        if at_parts > max(elsewhere, most):
            best, best_fit, most = estimate, fit, at_parts
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
    seen = score_parts(scores, places=line.on_rail, within=anywhere)
    at_parts = max(s.log_evidence for s in seen)
    return at_parts, elsewhere_evidence(scores, field)
