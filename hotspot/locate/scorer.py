"""Scores for the fields of one fit, its templates made ready once for each noise."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hotspot.heat.fit import HeatFit
from hotspot.locate.bank import Bank, build_bank
from hotspot.locate.detect import Scores, measure_scale, score
from hotspot.locate.field import Field
from hotspot.locate.templates import Template


@dataclass(slots=True, eq=False)
class Scorer:
    """Scores fields of one fit.

    Taking spots away changes the maps of a field but not its noise, for which the templates are
    made ready at some cost.

    Attributes
    ----------
    fit
        For the temporal weights of the templates.
    templates
        The family of spots.
    sigma_px
        Blur of optics and body.
    emissivity
        (rows, cols) how much of the heat each pixel shows, or None.
    """

    fit: HeatFit
    templates: tuple[Template, ...]
    sigma_px: float
    emissivity: NDArray[np.float32] | None
    _noise: NDArray[np.float32] | None = field(default=None, init=False)
    _bank: Bank | None = field(default=None, init=False)

    def score(self, of: Field, *, scale: float | None = None) -> Scores:
        """Return the SNR maps of every template; `scale` as in `hotspot.locate.detect.score`."""
        return score(
            of,
            contrasts=self.fit.contrasts,
            age_s=self.fit.atoms.age_s,
            templates=self.templates,
            sigma_px=self.sigma_px,
            emissivity=self.emissivity,
            scale=scale,
            bank=self._bank_of(of),
        )

    def measure_scale(self, of: Field) -> float:
        """Return the calibration of a field's scores (`hotspot.locate.detect.measure_scale`)."""
        return measure_scale(of, bank=self._bank_of(of), templates=self.templates)

    def _bank_of(self, of: Field) -> Bank:
        if self._bank is None or self._noise is not of.inverse_noise:
            self._bank = build_bank(
                of,
                contrasts=self.fit.contrasts,
                age_s=self.fit.atoms.age_s,
                templates=self.templates,
                sigma_px=self.sigma_px,
                emissivity=self.emissivity,
                before=self._bank,
            )
            self._noise = of.inverse_noise
        return self._bank
