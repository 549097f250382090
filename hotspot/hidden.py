"""A short that a hotter path hides, looked for once more at the parts themselves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from hotspot.checks import FloatArray
from hotspot.locate.centre import find_peak, measure_centre
from hotspot.locate.detect import Scores
from hotspot.locate.field import Field
from hotspot.locate.parts import Place, part_false_alarm
from hotspot.locate.separate import Describer
from hotspot.locate.sharp import find_sharp
from hotspot.locate.spots import FoundSpot

# The narrow spot is looked for this far from a part's middle at least, px.
LEAST_REACH_PX = 1.5


def with_hidden(
    found: tuple[FoundSpot, ...],
    *,
    roles: list[str],
    field: Field,
    places: tuple[Place, ...],
    course: FloatArray,
    describer: Describer,
    rescore: Callable[[Field], Scores],
    trials: float,
) -> tuple[FoundSpot, ...]:
    """Return the spots that are the path's, and a narrow one at a part that they hid.

    Parameters
    ----------
    found, roles
        Spots with their roles (`hotspot.weigh`).
    field
        Contrast maps.
    places
        The parts that may be shorted.
    course
        (k,) what each contrast stands for in the end.
    describer
        Of spots.
    rescore
        Scores of a field with the calibration of `field`.
    trials
        Switchings tried before.

    Returns
    -------
    tuple of FoundSpot
        Empty where no spot is the path's, or no part stands out beside it.
    """
    paths = tuple(s for s, role in zip(found, roles, strict=True) if role == "path")
    if not paths:
        return ()
    sharp = find_sharp(
        field,
        places=places,
        path_px=tuple(s.centre.xy_px for s in paths),
        course=course,
        describer=describer,
    )
    if sharp is None:
        return ()
    scores = rescore(sharp.field)
    place = places[sharp.place]
    rows, cols = field.shape
    y, x = np.mgrid[:rows, :cols]
    reach = max(LEAST_REACH_PX, place.radius_px)
    near = (np.hypot(x - place.xy_px[0], y - place.xy_px[1]) <= reach) & field.searched
    if not near.any():
        return ()
    _, row, column = find_peak(scores, allowed=near)
    seen_snr = float(scores.z[:, row, column].max())
    if seen_snr <= 0:
        return ()
    # How surely it is there is what it explains beside all that is smooth; the score of a picture
    # without that knows nothing of it.
    share = np.float32(min(1.0, sharp.snr / seen_snr))
    scores = replace(scores, z=scores.z * share)
    chance = part_false_alarm(sharp.snr, parts=len(places), trials=trials)
    centre = measure_centre(scores, row=row, column=column)
    return (*paths, FoundSpot(centre=centre, false_alarm=chance, scores=scores))
