"""How much warmer than before a spot is in the end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.waves import half_weights
from hotspot.locate.field import Field
from hotspot.locate.separate import Describer
from hotspot.locate.spots import FoundSpot
from hotspot.locate.templates import Rendered

# A description whose peak is off by this share does not fit: where shapes fit they agree within a
# tenth, and elsewhere one of 39 K was said to be 124 K, and one of 63 mK to be colder than before.
MISDRAWN = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class PeakRise:
    """The rise of a spot's peak.

    Attributes
    ----------
    field
        Contrast maps divided by their noise.
    course
        (k,) what each contrast stands for in the end.
    rise
        (rows, cols) the rise that every pixel shows.
    describer
        Describes spots.
    render
        The template of an index.
    strong_snr
        From this SNR on a pixel tells the rise by itself.
    """

    field: Field
    course: FloatArray
    rise: NDArray[np.float32]
    describer: Describer
    render: Callable[[int], Rendered]
    strong_snr: float

    def of(self, spot: FoundSpot) -> float:
        """Return the rise at a spot's peak, in the unit of the pictures.

        It is that of the spot's description, unless that does not fit: then what the pixel shows,
        and in noise that of the template that fits best (maximum likelihood: the SNR over the root
        of the energy; Kay, Fundamentals of Statistical Signal Processing, vol. 1, ch. 7).
        """
        x, y = (round(float(v)) for v in spot.centre.xy_px)
        sigma = float(self.field.local_sigma[y, x])
        described = self.describer.describe(self.field, centres=(spot.centre.xy_px,))[0]
        peak = sigma * float(self.course @ described.maps[:, y, x])
        if spot.centre.snr < self.strong_snr:
            shown = self.render(spot.centre.template)
            amount = float(spot.centre.snr / np.sqrt(spot.scores.energy[spot.centre.template]))
            seen = sigma * amount * float(self.course @ peak_of(shown, self.field.padded))
        else:
            seen = float(self.rise[y, x])
        return seen if abs(peak - seen) > MISDRAWN * seen else peak


def peak_of(rendered: Rendered, padded: tuple[int, int]) -> FloatArray:
    """Return what a unit spot's peak is in each contrast, (k,)."""
    total = (rendered.transfer * half_weights(padded)).sum(axis=(1, 2), dtype=np.float64)
    out: FloatArray = total / (padded[0] * padded[1])
    return out
