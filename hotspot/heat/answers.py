"""How a place answers the drive, told in blobs of a few widths: the family the search tries.

A body of time constant tau follows the drive; what it passes on spreads in the board as a Gaussian
that widens with its age (`hotspot.heat.response`). On a ladder of widths each age is a mixture of
its two neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hotspot.checks import FloatArray
from hotspot.heat.courses import SPREADS_PX
from hotspot.heat.drive import Drive
from hotspot.heat.response import AGE_EDGES_S, LOSS_TAU_S

# Time constants of bodies that warm alone, s: quick part, usual part, board.
BODY_ALONE_S = (0.2, 0.7, 3.0, 15.0)
# Time constants in between, for the moment of switching, s.
FINER_BODY_S = (0.4, 1.5, 6.0, 30.0)
# Time constants of bodies that pass their heat on, s, and the share of a body's own rise in what is
# seen.
PASSING = ((0.2, 0.5), (0.7, 0.5), (0.7, 0.0))
# Diffusivities, mm2/s, as in `hotspot.locate.templates`: laminate, thin plane, planes.
DIFFUSIVITIES_MM2_S = (0.4, 2.0, 8.0, 30.0)
# What has left the ladder of widths within this time leaves but the body, which is a member, s.
GONE_S = 0.2
# Without a scale, px2/s.
DIFFUSIVITIES_PX2_S = (1.0, 6.0, 36.0, 220.0)


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """One member of the family.

    Attributes
    ----------
    tau_s
        Of the body.
    body
        (widths,) weight of the body's rise on each width.
    passed
        (widths, ages) weight of what was passed on, by its age.
    """

    tau_s: float
    body: FloatArray
    passed: FloatArray

    def to_step(self, t_s: FloatArray, *, at_s: FloatArray) -> FloatArray:
        """Return the answer (moments, widths, bins) to steps at `at_s`, seen at times `t_s`."""
        since = t_s[None, :] - np.asarray(at_s)[:, None]
        after = np.maximum(since, 0.0)
        rise = 1.0 - np.exp(-after / self.tau_s)
        out = rise[:, None, :] * self.body[None, :, None]
        if self.passed.any():
            edges = np.array(AGE_EDGES_S)
            lagged = np.maximum(since[:, None, :] - edges[None, :, None], 0.0)
            total = lagged - self.tau_s * (1.0 - np.exp(-lagged / self.tau_s))
            by_age = total[:, :-1] - total[:, 1:]
            out = out + np.einsum("wa,mat->mwt", self.passed, by_age)
        return np.asarray(out)

    def to_drive(self, t_s: FloatArray, drive: Drive) -> FloatArray:
        """Return the answer (widths, bins) to a drive."""
        change = np.diff(np.concatenate([[0.0], drive.level]))
        moments = self.to_step(t_s, at_s=drive.t_s)
        out: FloatArray = np.einsum("m,mwt->wt", change, moments)
        return out

    def to_sines(self, frequencies: FloatArray) -> np.ndarray:
        """Return the complex answers (n, widths) to exp(i 2 pi f t) for each frequency (n,)."""
        w = 2j * np.pi * frequencies[:, None]
        low = 1.0 / (1.0 + w * self.tau_s)
        edges = np.array(AGE_EDGES_S)
        by_age = low * (np.exp(-w * edges[:-1]) - np.exp(-w * edges[1:])) / w
        return np.asarray(low * self.body + by_age @ self.passed.T)


def build_answers(
    mm_per_px: float | None, *, spreads_px: tuple[float, ...] = SPREADS_PX
) -> tuple[Answer, ...]:
    """Return the family for a scale; for one width only, bodies that warm alone.

    Parameters
    ----------
    mm_per_px
        Scale, or None.
    spreads_px
        The ladder of widths at which a place is looked at.
    """
    widths = len(spreads_px)
    first = np.zeros(widths)
    first[0] = 1.0
    nothing = np.zeros((widths, len(AGE_EDGES_S) - 1))
    out = [Answer(tau_s=tau, body=first, passed=nothing) for tau in BODY_ALONE_S]
    if widths == 1:
        return tuple(out)
    diffusivities: tuple[float, ...] = DIFFUSIVITIES_PX2_S
    if mm_per_px is not None:
        diffusivities = tuple(a / mm_per_px**2 for a in DIFFUSIVITIES_MM2_S)
    edges = np.array(AGE_EDGES_S)
    age = 0.5 * (edges[1:] + edges[:-1])
    fading = np.exp(-age / LOSS_TAU_S)
    for diffusivity in diffusivities:
        if np.sqrt(2 * diffusivity * GONE_S) > spreads_px[-1]:
            continue
        passed = _on_ladder(np.sqrt(2 * diffusivity * age), spreads_px) * fading
        # Peaks of body and board compare at the end of a long drive; a blob of unit heat about
        # the optics' width has a peak that falls with the square of its width.
        peak = float(np.sum(np.diff(edges) * fading / (1.0 + 2 * diffusivity * age)))
        for tau_s, share in PASSING:
            out.append(
                Answer(
                    tau_s=tau_s,
                    body=share * first,
                    passed=(1 - share) * passed / peak,
                )
            )
    return tuple(out)


def finer_answers(answers: tuple[Answer, ...]) -> tuple[Answer, ...]:
    """Return bodies that warm alone with time constants between those of the family.

    Where heat is strong, the moment of switching is only as good as the time constant.
    """
    alone = answers[0]
    return tuple(replace(alone, tau_s=tau) for tau in FINER_BODY_S)


def _on_ladder(spread_px: FloatArray, spreads_px: tuple[float, ...]) -> FloatArray:
    """Weights (widths, n) of each spread on the ladder; beyond its end, heat counts as gone."""
    ladder = np.array(spreads_px)
    out = np.zeros((len(ladder), len(spread_px)))
    for n, spread in enumerate(spread_px):
        # Blobs mix by their variance.
        i = int(np.searchsorted(ladder, spread, side="right")) - 1
        if i >= len(ladder) - 1:
            # Wider heat is flat within reach: what is left of it falls with its area.
            out[-1, n] = (ladder[-1] / spread) ** 2
            continue
        share = (spread**2 - ladder[i] ** 2) / (ladder[i + 1] ** 2 - ladder[i] ** 2)
        out[i, n], out[i + 1, n] = 1 - share, share
    return out
