"""The spots of a look: strongest first, each told from drift, from noise and from the others."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hotspot.beside import on_the_board
from hotspot.checks import FloatArray
from hotspot.heat.fit import HeatFit, restore_heat
from hotspot.heat.picture import hottest_bin, rise_picture
from hotspot.locate.centre import SYSTEMATIC_PX
from hotspot.locate.detect import Scores
from hotspot.locate.field import Field, reddened
from hotspot.locate.peak import PeakRise
from hotspot.locate.places import outline_at
from hotspot.locate.scorer import Scorer
from hotspot.locate.separate import Describer
from hotspot.locate.spots import FoundSpot, find_spots
from hotspot.locate.templates import Rendered, Template, render
from hotspot.look import Look
from hotspot.outcome import told_apart

# A reading counts as a hot spot when noise alone would give one this strong in fewer than this
# share of recordings. What draughts and rooms leave in a picture is not quite noise and comes a few
# times as often (three of 110 cold recordings made by two generators lay between this and 0.001):
# a technician then meets a false alarm in fewer than one of a hundred boards.
FALSE_ALARM_LIMIT = 0.0002

# From this SNR on, a spot's own wide heat is told from drift before weaker spots are looked for.
STRONG_SNR = 8.0
# From this one on its place is limited by how well its shape is known, not by noise: half the
# model error of `hotspot.weigh` at this SNR is ten times the noise.
SHAPE_LIMITED_SNR = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """The spots of a look.

    Attributes
    ----------
    fit, field
        As looked at, strong heat told from drift.
    found
        The spots, strongest first.
    first, rest
        Scores of all that is seen, and of what the spots leave.
    left_beside
        Whether something beside the board was left out.
    """

    fit: HeatFit
    field: Field
    found: tuple[FoundSpot, ...]
    first: Scores
    rest: Scores
    left_beside: bool


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """How spots are looked for.

    Attributes
    ----------
    scorer, describer
        What compares a field with the family of shapes, and what describes a spot.
    templates
        The family.
    trials
        How many switchings were tried.
    """

    scorer: Scorer
    describer: Describer
    templates: tuple[Template, ...]
    trials: float

    def spots(
        self,
        field: Field,
        *,
        before: tuple[FoundSpot, ...] = (),
        systematic_px: float = SYSTEMATIC_PX,
        first: Scores | None = None,
    ) -> tuple[tuple[FoundSpot, ...], Scores]:
        """Return the spots of a field and the scores of what they leave.

        Parameters
        ----------
        field
            Contrast maps with their noise.
        before
            Spots known before.
        systematic_px
            How well the place of a spot is known by its shape.
        first
            Scores of the field, when they are known.
        """
        scale = self.scorer.measure_scale(field) if first is None else first.scale
        return find_spots(
            field,
            rescore=lambda f: self.scorer.score(f, scale=scale),
            first=first,
            before=before,
            systematic_px=systematic_px,
            limit=FALSE_ALARM_LIMIT,
            trials=self.trials,
            describer=self.describer,
        )

    def seen(self, look: Look) -> Seen:
        """Return the spots of a look; wide heat of a strong one is told from drift first."""
        line, fit = look.line, look.fit
        first = self.scorer.score(look.field)
        field, strongest, left_beside = on_the_board(
            look.field, first, beside=line.beside, limit=FALSE_ALARM_LIMIT, trials=self.trials
        )
        snr = 0.0 if strongest is None else strongest.centre.snr
        if snr <= STRONG_SNR:
            found, rest = self.spots(field, first=first)
            return Seen(fit, field, found, first, rest, left_beside)
        strong: tuple[FoundSpot, ...] = ()
        if snr > SHAPE_LIMITED_SNR:
            # What drift removal took in step was this heat: put back, it leaves no doubt.
            fit = replace(restore_heat(fit, line.calm_bins), doubt=np.zeros_like(fit.doubt))
            field = reddened(field, maps=fit.maps)
            first = self.scorer.score(field)
            strong, _ = self.spots(field, systematic_px=look.shape_px, first=first)
            known = strong
        else:
            known, _ = self.spots(field, first=first)
        if known or snr <= SHAPE_LIMITED_SNR:
            field = told_apart(line, fit, field, found=known, describer=self.describer)
        found, rest = self.spots(field, before=strong)
        return Seen(fit, field, found, first, rest, left_beside)

    def rendered(self, template: int, seen: Seen) -> Rendered:
        """Return a template as the contrasts of a look show it."""
        return render(
            self.templates[template],
            contrasts=seen.fit.contrasts,
            age_s=seen.fit.atoms.age_s,
            padded=seen.field.padded,
            inverse_noise=seen.field.inverse_noise,
            sigma_px=self.describer.sigma_px,
        )

    def peak(self, seen: Seen) -> PeakRise:
        """Return what tells the rise of each spot."""
        return PeakRise(
            field=seen.field,
            course=seen.fit.contrasts.courses[:, hottest_bin(seen.fit)],
            rise=rise_picture(seen.fit),
            describer=self.describer,
            render=lambda template: self.rendered(template, seen),
            strong_snr=SHAPE_LIMITED_SNR,
        )


def search_of(look: Look, templates: tuple[Template, ...]) -> Search:
    """Return how spots are looked for in a look, by a family of shapes."""
    line = look.line

    def outline(xy_px: FloatArray) -> FloatArray | None:
        return outline_at(line.places, xy_px)

    return Search(
        scorer=Scorer(look.fit, templates, sigma_px=line.sigma_px, emissivity=line.emissivity),
        describer=Describer(
            bad=look.field.bad,
            sigma_px=line.sigma_px,
            outline_at=outline,
            emissivity=line.shown,
        ),
        templates=templates,
        trials=look.estimate.trials,
    )
