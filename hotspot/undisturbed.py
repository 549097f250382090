"""The switching and the heat, from the moments at which nothing passed before the mirrors.

A hand over the board is seen in every pad, far above what a weak short does, but it comes and goes:
what was recorded before and after it is as good as ever.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hotspot.heat.calm import at_bins
from hotspot.heat.fit import HeatFit, response_in
from hotspot.heat.mirror import Mirror, build_mirror, find_undisturbed_bins
from hotspot.heat.response import whitening
from hotspot.heat.switching import SwitchingEstimate
from hotspot.line import Line, switchings_of
from hotspot.switched import choose_switching, evidence_of

# What is left must hear so much of the heat's energy: half its SNR, which a hand takes as well.
LEAST_ENERGY = 0.25
# ... and of heat so strong that it may have passed for a disturbance a tenth.
LEAST_OF_STRONG = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Heated:
    """What warmed up in step with what.

    Attributes
    ----------
    line
        What is known, its bins without those that were left out.
    estimate
        The switching.
    fit
        The heat; None where nothing was switched, or left no trace.
    mirror
        What is seen to move in the metal all the same, or None.
    left_out_s
        How long something moved; those moments were left out.
    passed
        The mirrors, as what passed then has shown them; None where nothing was left out.
    beside_heat
        Whether pads are restless, strongly, that were taken to be the doing of strong heat.
    """

    line: Line
    estimate: SwitchingEstimate
    fit: HeatFit | None
    mirror: Mirror | None
    left_out_s: float = 0.0
    passed: Mirror | None = None
    beside_heat: bool = False

    @property
    def warnings(self) -> tuple[str, ...]:
        """Return what the technician is told about it."""
        if not self.left_out_s:
            return ()
        return (
            f"{self.left_out_s:.0f} s left out: something warm passed, mirrored in the metal"
            " (a hand, a face, a lamp)",
        )


def find_heat(line: Line) -> Heated:
    """Return the heat in step with the switching; a hand's comings and goings are left out.

    Parameters
    ----------
    line
        What is known.
    """
    first = _heat(line)
    if first.fit is None or first.mirror is None or not first.mirror.lively:
        return first
    kept = find_undisturbed_bins(line.calm_bins, first.mirror)
    least = LEAST_OF_STRONG if first.mirror.beside_heat else LEAST_ENERGY
    if kept is None or _heard(line, first, kept) < LEAST_ENERGY:
        # Strong heat may have passed for a disturbance itself.
        most = find_undisturbed_bins(line.calm_bins, first.mirror, leniently=True)
        if most is not None and _heard(line, first, most) > LEAST_OF_STRONG:
            kept, least = most, LEAST_OF_STRONG
    if kept is None or _takes_the_switching(line, first, kept):
        return first
    then = _heat(replace(line, calm_bins=at_bins(line.calm_bins, kept)))
    if then.fit is None or _energy(then.fit) < least * _energy(first.fit):
        return first
    bins = line.calm_bins.bins
    spacing_s = float(np.median(np.diff(bins.t_s)))
    left_out_s = spacing_s * int(np.count_nonzero(~kept))
    return replace(then, left_out_s=left_out_s, passed=first.mirror)


def _takes_the_switching(line: Line, first: Heated, kept: NDArray[np.bool_]) -> bool:
    """Whether what is left no longer tells the switching that was read off the frames.

    A hand that switches passes over the board when it does. Heat at a part of the rail then says
    that the moments are the output's and not the hand's; without them other moments would be found.
    """
    fit = first.fit
    if line.recording.injection is not None or fit is None or not line.on_rail:
        return False
    if _heard(line, first, kept) > LEAST_ENERGY:
        return False
    return evidence_of(line, fit).is_at_a_part


def _heard(line: Line, first: Heated, at: NDArray[np.bool_]) -> float:
    """Return the share of the switching's energy that some of the (bins,) hear."""
    fit, bins = first.fit, line.calm_bins.bins
    if fit is None:
        return 0.0
    _, body, _ = response_in(bins, first.estimate.drive, frame_t_s=line.audit.t_s)

    def energy(of: NDArray[np.bool_]) -> float:
        white = whitening(fit.covariance[np.ix_(of, of)], segment=bins.segment[of])
        return float(np.sum((body[:, of] @ white) * body[:, of]))

    return energy(at) / max(energy(np.ones_like(at)), 1e-300)


def _energy(fit: HeatFit) -> float:
    """Squared SNR of a unit source over time, as the contrasts hear it, mean over bodies."""
    return float(np.mean(np.sum(fit.contrasts.body**2, axis=0)))


def _heat(line: Line) -> Heated:
    estimate, fit = choose_switching(line, switchings_of(line))
    # Where the metal is left out there is nothing to be mirrored in.
    mirror = None if fit is None or line.moving else build_mirror(fit, bad=line.calm_bins.bad)
    if mirror is None or (mirror.beside_heat and not line.doubted):
        # What strong heat leaves beside it is no hand's, as long as it tells its part clearly.
        heat = mirror is not None and mirror.lively
        return Heated(line=line, estimate=estimate, fit=fit, mirror=None, beside_heat=heat)
    return Heated(line=line, estimate=estimate, fit=fit, mirror=mirror)
