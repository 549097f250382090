"""Every spot in the picture, strongest first, each tested on what the stronger ones leave."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.locate.centre import SYSTEMATIC_PX, Centre, find_peak, measure_centre
from hotspot.locate.detect import Scores, false_alarm_probability
from hotspot.locate.field import Field
from hotspot.locate.separate import Describer, take_away

# More sources than this on one rail is not a repair job but a fire.
MOST_SPOTS = 5
# A further spot must be at least this share of the strongest one's SNR: below it, leftovers of
# the description and real spots cannot be told apart.
LEAST_SHARE = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class FoundSpot:
    """A spot and how sure it is.

    Attributes
    ----------
    centre
        Position, SNR.
    false_alarm
        Chance of one this strong anywhere in the picture from noise alone.
    scores
        Score maps in which it was found, stronger spots taken away.
    """

    centre: Centre
    false_alarm: float
    scores: Scores


def find_spots(
    field: Field,
    *,
    rescore: Callable[[Field], Scores],
    first: Scores | None = None,
    limit: float,
    trials: float,
    describer: Describer,
    before: tuple[FoundSpot, ...] = (),
    systematic_px: float = SYSTEMATIC_PX,
) -> tuple[tuple[FoundSpot, ...], Scores]:
    """Return the significant spots, and the scores of the field without them.

    Parameters
    ----------
    field
        Contrast maps.
    rescore
        Scores of a field, with the calibration of `field`.
    first
        Scores of `field`, if at hand.
    limit
        False-alarm probability below which a spot counts.
    trials
        Switchings tried before: multiplies the false-alarm probability.
    describer
        Describes spots.
    before
        Spots known already: taken away first, and returned with the others.
    systematic_px
        Error of a position beyond noise.
    """
    spots: list[FoundSpot] = list(before)
    allowed = field.searched

    def taken_away() -> Scores:
        centres = tuple(s.centre.xy_px for s in spots)
        return rescore(take_away(field, describer.describe(field, centres=centres)))

    sigma_px = describer.sigma_px

    for known in before:
        allowed = allowed & ~_near(field.bad.shape, known.centre.xy_px, sigma_px=sigma_px)
    if first is None and not before:
        first = rescore(field)
    scores = taken_away() if before or first is None else first
    while True:
        spot = find_strongest(
            scores,
            allowed=allowed,
            area_px=float(np.sum(~field.bad)),
            limit=limit,
            trials=trials,
            systematic_px=systematic_px,
            least_snr=LEAST_SHARE * spots[0].centre.snr if spots else -np.inf,
        )
        if spot is None or len(spots) == MOST_SPOTS:
            return tuple(spots), scores
        spots.append(spot)
        scores = taken_away()
        allowed = allowed & ~_near(field.bad.shape, spot.centre.xy_px, sigma_px=sigma_px)


def find_strongest(
    scores: Scores,
    *,
    allowed: NDArray[np.bool_],
    area_px: float,
    limit: float,
    trials: float,
    systematic_px: float = SYSTEMATIC_PX,
    least_snr: float = -np.inf,
) -> FoundSpot | None:
    """Return the strongest spot of a field, None where it is not significant.

    Parameters
    ----------
    scores
        Scores of the field.
    allowed
        (rows, cols) pixels in which it may lie.
    area_px
        Area that noise had to be as strong anywhere in, px².
    limit, trials, systematic_px
        As for `find_spots`.
    least_snr
        What it must exceed besides.
    """
    _, row, column = find_peak(scores, allowed=allowed)
    snr = float(scores.z[:, row, column].max())
    chance = min(
        1.0, trials * false_alarm_probability(snr, area_px=area_px, roughness=scores.roughness)
    )
    if chance > limit or snr <= least_snr:
        return None
    centre = measure_centre(scores, row=row, column=column, systematic_px=systematic_px)
    return FoundSpot(centre=centre, false_alarm=chance, scores=scores)


def _near(shape: tuple[int, int], xy_px: FloatArray, *, sigma_px: float) -> NDArray[np.bool_]:
    y, x = np.indices(shape)
    near: NDArray[np.bool_] = np.hypot(x - xy_px[0], y - xy_px[1]) < 2 * max(1.0, sigma_px)
    return near
