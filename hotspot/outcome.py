"""What a recording says when it says little, and what all its spots say together."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hotspot.doubts import STRONG_BESIDE
from hotspot.finding import CANNOT_TELL, NO_HOT_SPOT, Finding
from hotspot.heat.cooling import is_cooling
from hotspot.heat.fit import HeatFit, bands_without
from hotspot.heat.heatmap import HeatMap, Switching
from hotspot.heat.mirror import something_moved
from hotspot.heat.picture import build_heat_map, source_map
from hotspot.line import Line
from hotspot.locate.detect import Scores, false_alarm_probability
from hotspot.locate.field import Field, build_field
from hotspot.locate.separate import Describer
from hotspot.locate.spots import FoundSpot
from hotspot.locate.templates import Rendered
from hotspot.nearby import is_on_a_can
from hotspot.reasons import MIRRORED
from hotspot.reflections import find_mirrored
from hotspot.steps import frame_counts
from hotspot.weigh import Weighed

# Of a recording of which more than this was left out, what is left lies between moments at which
# something moved.
MOSTLY = 0.5


def told_apart(
    line: Line,
    fit: HeatFit,
    field: Field,
    *,
    found: tuple[FoundSpot, ...],
    describer: Describer,
) -> Field:
    """Return the field once strong heat is known and no longer taken for noise.

    Parameters
    ----------
    line
        What is known.
    fit, field
        As first looked at.
    found
        The spots found.
    describer
        Describes spots.
    """
    centres = tuple(s.centre.xy_px for s in found)
    spots = describer.describe(field, centres=centres)
    total: NDArray[np.float32] = np.sum([d.maps for d in spots], axis=0)
    described = total * field.local_sigma
    bands = bands_without(fit, line.calm_bins, described=described)
    return build_field(
        fit.maps,
        quiet=fit.quiet,
        bad=line.calm_bins.bad,
        bands=bands,
        doubt=fit.doubt,
        beside=field.beside,
    )


def chance_of(found: tuple[FoundSpot, ...], scores: Scores, field: Field, trials: float) -> float:
    """Return the false-alarm probability of the surest spot, or of the strongest reading."""
    if found:
        return min(s.false_alarm for s in found)
    top = float(scores.z[:, field.searched].max())
    area = float(np.sum(~field.bad))
    chance = false_alarm_probability(top, area_px=area, roughness=scores.roughness)
    return min(1.0, trials * chance)


def doubt_of(
    line: Line,
    weighed: Weighed,
    *,
    fit: HeatFit,
    field: Field,
    found: tuple[FoundSpot, ...],
    mirrored: int,
    moving: bool,
    left_out_s: float,
    plain: bool,
    switching: Switching,
    chance: float,
) -> str | None:
    """Return why no part may be named, or None where one may be.

    Parameters
    ----------
    line, fit, field
        What is known, and seen.
    weighed, found
        The spots with their roles and suspects, and as they were found.
    mirrored
        How many others are known to move at times of their own.
    moving, left_out_s
        Whether something was seen to move in the mirrors, and how long was left out while it did.
    plain
        Whether this is the plain look (`hotspot.look`).
    switching, chance
        When the output was on, and how often noise gives such a reading.
    """
    signs = find_mirrored(
        field,
        spots=weighed.spots,
        centres_px=tuple(s.centre.xy_px for s in found),
        mirrored=mirrored,
        moving=moving,
        passed=left_out_s > 0,
        plain=plain,
        turned=line.turned,
    )
    mapped = bool(line.places)
    logged = line.recording.injection is not None
    best, can = 1.0, False
    own = [at.centre.xy_px for at, s in zip(found, weighed.spots, strict=True) if s.role != "path"]
    # A plain look has no answers to hold a decay against.
    cooling = bool(own) and not plain and is_cooling(fit, line.calm_bins, xy_px=own[0])
    if mapped and line.board is not None:
        # No current reaches a part off the rail: only strong heat in step with a log speaks against
        # the map. Switching read off the frames may be a board's that cools, whose pads lag behind.
        can = bool(own) and is_on_a_can(own[0], board=line.board, places=line.places)
        against_the_map = logged and signs.snr > STRONG_BESIDE and not can
        best = weighed.on_any if against_the_map else weighed.on_rail
    cold_s = np.inf
    if switching.onset_s is not None and switching.period_s is None:
        cold_s = switching.onset_s - float(line.audit.t_s[0])
    return signs.doubt(
        logged=logged,
        moved=bool(line.audit.moved.any()),
        best=best,
        mapped=mapped,
        cold_s=cold_s,
        chance=chance,
        on_a_can=can,
        cooling=cooling,
        mostly_passed=left_out_s > MOSTLY * float(np.ptp(line.audit.t_s)),
    )


def heat_seen(
    line: Line, fit: HeatFit, field: Field, *, found: tuple[FoundSpot, ...], shown: Rendered
) -> HeatMap:
    """Return the heat map, with the source behind it as the strongest spot's template has it.

    Parameters
    ----------
    line, fit, field
        What is known, and seen.
    found
        Spots, strongest first.
    shown
        Template of the strongest.
    """
    return build_heat_map(
        fit,
        line.calm_bins,
        cold=line.cold,
        local_sigma=field.local_sigma,
        unit=line.unit,
        spot_px=found[0].centre.xy_px if found else None,
        source=source_map(
            field.maps,
            transfer=shown.transfer,
            inverse_noise=field.inverse_noise,
            padded=field.padded,
        ),
        steps=(),
    )


def without_drive(line: Line, switching: Switching) -> Finding:
    """Return the finding of a recording in which nothing was switched, as far as one can see.

    Nothing is ruled out where something moved: a hand over the board hides the moments.
    """
    flat = np.zeros(line.cold.shape, dtype=np.float32)
    sigma = np.full(line.cold.shape, line.calm_bins.noise.white_sigma, dtype=np.float32)
    heat = HeatMap(
        rise_k=flat,
        sigma_k=sigma,
        source=flat,
        valid=~line.calm_bins.bad,
        cold=line.cold,
        unit=line.unit,
    )
    logged = line.recording.injection is not None
    moved = not logged and something_moved(line.calm_bins)
    warning = (
        "The injection log shows no current: switch on, or record again with the log"
        if logged
        else "No switching can be seen in the frames: nothing warms up in step with anything"
    )
    return Finding(
        verdict=CANNOT_TELL if logged or moved else NO_HOT_SPOT,
        false_alarm_probability=1.0,
        spots=(),
        suspects=(),
        registration=line.registration,
        switching=switching,
        frames=frame_counts(line),
        heat=heat,
        warnings=(*line.warnings, warning, *((MIRRORED,) * moved)),
    )
