"""The contrast maps in which spots are looked for: the fitted ones, or the plain one.

Display video with heat far above its noise is looked at plainly, for there the automatic gain and
the ends of the scale spoil every time course (`hotspot.heat.plain`); everything else is fitted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.heat.drive import drive_from_edges
from hotspot.heat.fit import HeatFit, fit_heat, restore_heat
from hotspot.heat.heatmap import Switching
from hotspot.heat.mirror import without_mirrored
from hotspot.heat.plain import PLACE_SIGMA_PX, find_glow, fit_plainly
from hotspot.heat.switching import BEYOND_DOUBT, SwitchingEstimate
from hotspot.line import Line
from hotspot.locate.field import Field, build_field
from hotspot.locate.scorer import Scorer
from hotspot.locate.templates import Template
from hotspot.undisturbed import Heated

# Above this SNR of its strongest spot the plain look is as good as any: of some 40 videos by two
# generators that reached it the part was named in all but two, where lossy coding or the top of
# the scale left it to a neighbour.
PLAIN_SNR = 100.0
# A plain look knows no moments at which a hand came and went, and hands in the metal reached SNRs
# of 245 to 889. But a hand is brightest in bare metal, while what warms up is dark there: around
# real heat metal was darker than the rest, or brighter by 0.04 of the spot's height at most (one
# video apart, whose brightest pixel was a terminal's); around one of the hands by 0.5 of it. It is
# not enough: another had -0.1, and was known by a second pad that brightened almost as much.
MOST_MIRRORED = 0.15
# The brightest place itself shows at least so much of the heat: a part's body or the board; real
# ones 0.55 and more (but for that terminal), while a connector that mirrored a hand showed 0.15.
LEAST_SHOWN = 0.4
# Pixels that show metal, at least half as much as bare metal does, without which nothing is said.
METAL, FEWEST_METAL = 0.4, 20
# Where that is looked at, px around the spot: beyond its core, and as far as its heat is seen.
FROM_PX, TO_PX = 4.0, 40.0
# How far off the place of a strong spot is, px: rms over boards of all conductivities, sensors and
# bodies was 0.25 along each axis (`tests.benchmarks.exam`, 31 recordings above an SNR of 60); where
# it stayed at the top of a display's scale, 0.8 (eleven videos).
SHAPE_PX, PLAIN_SHAPE_PX = 0.3, 0.8
ROUNDS = 8  # of least absolute deviations, by when they have settled


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What is looked at.

    Attributes
    ----------
    line
        What is known; what was seen to be mirrored is taken out of its bins.
    estimate
        When the output was on.
    fit
        The heat's contrast maps.
    field
        The same with their noise.
    plain
        Whether this is the plain look.
    """

    line: Line
    estimate: SwitchingEstimate
    fit: HeatFit
    field: Field
    plain: bool = False

    @property
    def shape_px(self) -> float:
        """How well the place of a strong spot is known by its shape, px along each axis."""
        return PLAIN_SHAPE_PX if self.plain else SHAPE_PX


def look_at(line: Line, heated: Heated, *, templates: tuple[Template, ...]) -> Look | None:
    """Return the contrast maps, or None where nothing was switched or left a trace.

    Parameters
    ----------
    line
        What is known.
    heated
        The heat, from `hotspot.undisturbed.find_heat`.
    templates
        Shapes of spots.
    """
    for estimate in _switchings_on_display(line, heated):
        plain = _plain_look(line, estimate, templates=templates)
        if plain is not None:
            return plain
    fit = heated.fit
    if fit is None:
        return None
    if heated.mirror is not None:
        line = replace(line, calm_bins=without_mirrored(line.calm_bins, heated.mirror))
        fit = fit_heat(line.calm_bins, heated.estimate.drive, frame_t_s=line.audit.t_s)
    return Look(line, heated.estimate, fit, _field_of(line, fit))


def _switchings_on_display(line: Line, heated: Heated) -> Iterator[SwitchingEstimate]:
    """Yield when the output may have been on, for a plain look: none where nothing calls for one.

    A search for time courses finds no switching where the display spoils them all; that something
    began to glow is seen nevertheless.
    """
    logged = line.recording.injection is not None
    # Where the metal is left out there is nothing left to tell a hand by; and beside something warm
    # that comes into the picture much else goes dark, which turned over would look like heat.
    if line.recording.profile.is_radiometric or line.moving or (line.turned and not logged):
        return
    yield heated.estimate
    if not logged:
        onset_s = find_glow(line.calm_bins)
        if onset_s is not None:
            yield SwitchingEstimate(
                Switching(
                    source="estimated",
                    edges_s=(onset_s,),
                    onset_s=onset_s,
                    significance=BEYOND_DOUBT,
                ),
                drive_from_edges((onset_s,)),
                trials=1.0,
            )


def _plain_look(
    line: Line, estimate: SwitchingEstimate, *, templates: tuple[Template, ...]
) -> Look | None:
    logged = line.recording.injection is not None
    fit = fit_plainly(line.calm_bins, estimate.drive, frame_t_s=line.audit.t_s, logged=logged)
    if fit is None:
        return None
    field = _field_of(line, fit)
    scorer = Scorer(fit, templates, sigma_px=line.sigma_px, emissivity=line.emissivity)
    searched = field.searched if line.beside is None else field.searched & ~line.beside
    strongest = float(np.max(scorer.score(field).z, initial=0.0, where=searched))
    if strongest <= PLAIN_SNR or line.emissivity is None:
        return None
    heat = restore_heat(fit, line.calm_bins).maps[0]
    if is_mirrored(heat, emissivity=line.emissivity, usable=searched):
        return None
    return Look(line, estimate, fit, field, plain=True)


def is_mirrored(
    heat: NDArray[np.float32], *, emissivity: NDArray[np.float32], usable: NDArray[np.bool_]
) -> bool:
    """Return whether the brightest place mirrors something warm, as far as its metal tells.

    Parameters
    ----------
    heat
        (rows, cols) what changed.
    emissivity
        (rows, cols) from `hotspot.heat.emissivity`.
    usable
        (rows, cols) pixels that may be looked at.
    """
    smooth = np.where(usable, cv2.GaussianBlur(heat, (0, 0), PLACE_SIGMA_PX), -np.inf)
    row, column = (int(k) for k in np.unravel_index(int(np.argmax(smooth)), smooth.shape))
    if emissivity[row, column] < LEAST_SHOWN:
        return True
    share = mirrored_share(heat, emissivity=emissivity, usable=usable, row=row, column=column)
    return share >= MOST_MIRRORED


def mirrored_share(
    heat: NDArray[np.float32],
    *,
    emissivity: NDArray[np.float32],
    usable: NDArray[np.bool_],
    row: int,
    column: int,
) -> float:
    """Return how much brighter bare metal is around a spot than the rest, as share of its height.

    Negative around heat, which metal hardly shows; positive around something mirrored, and 1 where
    there is no metal to tell by.

    Parameters
    ----------
    heat
        (rows, cols) what changed.
    emissivity
        (rows, cols) from `hotspot.heat.emissivity`.
    usable
        (rows, cols) pixels that may be looked at.
    row, column
        The spot.
    """
    y, x = np.ogrid[: heat.shape[0], : heat.shape[1]]
    far = np.hypot(y - row, x - column)
    around = usable & (far > FROM_PX) & (far < TO_PX)
    height = float(heat[max(0, row - 1) : row + 2, max(0, column - 1) : column + 2].max())
    metal = 1.0 - emissivity[around].astype(np.float64)
    if height <= 0 or np.count_nonzero(metal > METAL) < FEWEST_METAL:
        return 1.0
    # Heat falls off as a logarithm of the distance from its source (Carslaw & Jaeger, sec. 10.4).
    model = np.column_stack([np.ones(len(metal)), np.log(far[around]), metal])
    seen = heat[around].astype(np.float64)
    weight = np.ones(len(seen))
    amounts = np.zeros(3)
    for _ in range(ROUNDS):
        root = np.sqrt(weight)
        amounts = np.linalg.lstsq(model * root[:, None], seen * root, rcond=None)[0]
        miss = np.abs(seen - model @ amounts)
        weight = 1.0 / np.maximum(miss / max(float(np.median(miss)), 1e-12), 1.0)
    return float(amounts[2]) / height


def _field_of(line: Line, fit: HeatFit) -> Field:
    return build_field(
        fit.maps, quiet=fit.quiet, bad=line.calm_bins.bad, bands=fit.bands, doubt=fit.doubt
    )
