"""The family of spots: how a point source looks in each contrast map, for boards of all kinds.

Nothing here is tuned to a camera or a board: the family spans bare laminate to solid copper
(diffusivity), small and large bodies (time constant), and bodies that stand out from the board
they warm or not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.response import BODY_TAUS_S, Contrasts
from hotspot.heat.waves import frequencies, half_weights

# In-plane diffusivities in mm2/s: bare FR-4 0.4 (Azar & Graebner 1996), a thin copper plane 2,
# two or more planes 8 and 30 (parallel-layer bound; references in tests/reference).
DIFFUSIVITIES_MM2_S = (0.4, 2.0, 8.0, 30.0)
# Without a scale the same range is spanned in px2/s: 0.4 mm2/s at 0.6 mm/px to 30 at 0.12 mm/px.
DIFFUSIVITIES_PX2_S = (1.0, 6.0, 36.0, 220.0, 1300.0)
# Blur of the optics with the body of a small part, px, when the profile does not tell.
DEFAULT_SIGMA_PX = 1.1
# A spot that spreads no faster than this stays within about 6 px of its centre for a second.
COMPACT_PX2_S = 16.0
# Share of the body in the peak of a mixed template.
BODY_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Template:
    """One member of the family.

    Attributes
    ----------
    tau_index
        Which of `BODY_TAUS_S` the body has.
    diffusivity_px2_s
        Of the board; 0 for a body that warms alone.
    body_share
        1 for the body alone, 0 for what spreads in the board alone.
    dimmed
        Whether the emissivity pattern of the board dims it. Only for compact spots: wide heat seen
        through the pattern looks like drift, which has been taken out.
    """

    tau_index: int
    diffusivity_px2_s: float
    body_share: float
    dimmed: bool = False


def build_templates(mm_per_px: float | None, *, dimmed: bool = False) -> tuple[Template, ...]:
    """Return the family for a scale, or for all scales when it is unknown.

    Parameters
    ----------
    mm_per_px
        Scale, or None.
    dimmed
        Whether an emissivity pattern is known; compact spots then come with and without it.
    """
    spread = (
        DIFFUSIVITIES_PX2_S
        if mm_per_px is None
        else tuple(a / mm_per_px**2 for a in DIFFUSIVITIES_MM2_S)
    )
    bodies = [Template(i, 0.0, 1.0) for i in range(len(BODY_TAUS_S))]
    boards = [
        Template(i, a, share)
        for i in range(3)
        for a in spread
        for share in ((0.0, BODY_SHARE) if i < 2 else (0.0,))
    ]
    plain = (*bodies, *boards)
    if not dimmed:
        return plain
    compact = (t for t in plain if t.diffusivity_px2_s <= COMPACT_PX2_S)
    return (*plain, *(replace(t, dimmed=True) for t in compact))


@dataclass(frozen=True, slots=True, eq=False)
class Rendered:
    """A template in the frequency domain.

    Attributes
    ----------
    transfer
        (k, rows', cols'/2+1) float32: transform of the spot at the origin in each contrast, per
        kelvin of peak rise at the end of the injection.
    energy
        Sum over frequencies of transfer' / noise * transfer: SNR^2 of a unit spot.
    roughness
        sqrt(det) of the covariance of the gradient of the filtered noise, 1/px^2.
    curvature
        (2, 2) that covariance: Fisher information of the position at unit SNR, 1/px^2.
    """

    transfer: NDArray[np.float32]
    energy: float
    roughness: float
    curvature: FloatArray


def render(
    template: Template,
    *,
    contrasts: Contrasts,
    age_s: FloatArray,
    padded: tuple[int, int],
    inverse_noise: NDArray[np.float32],
    sigma_px: float,
) -> Rendered:
    """Return a template in the frequency domain with its energy in the measured noise."""
    transfer = draw(template, contrasts=contrasts, age_s=age_s, padded=padded, sigma_px=sigma_px)
    return measure(transfer, whitened=whiten(transfer, inverse_noise), padded=padded)


def draw(
    template: Template,
    *,
    contrasts: Contrasts,
    age_s: FloatArray,
    padded: tuple[int, int],
    sigma_px: float,
) -> NDArray[np.float32]:
    """Return the transform (k, rows', cols'/2+1) of a template's spot at the origin."""
    ky, kx = frequencies(padded)
    k2 = (ky**2 + kx**2).astype(np.float32)
    transfer = np.zeros((len(contrasts.weights), *k2.shape), dtype=np.float32)
    s0 = sigma_px**2
    i = template.tau_index
    if template.body_share > 0:
        gain = contrasts.body[:, i]
        transfer += (
            template.body_share
            * gain[:, None, None].astype(np.float32)
            * (2 * np.pi * s0 * np.exp(-0.5 * s0 * k2))[None]
        )
    if template.body_share < 1:
        sizes = s0 + 2 * template.diffusivity_px2_s * age_s
        # Peak of the spread at the end of a long drive, for a peak of one kelvin.
        width_s = np.gradient(age_s)
        peak = float(np.sum(width_s / (2 * np.pi * sizes)))
        gains = contrasts.spread[:, i] * (1 - template.body_share) / peak
        # A Gaussian is a product of one along y and one along x: two sums of lines, no exponential
        # a frequency.
        along_y = np.exp(-0.5 * np.outer(sizes, ky.ravel() ** 2))
        along_x = np.exp(-0.5 * np.outer(sizes, kx.ravel() ** 2))
        weighted = (gains[:, None] * along_y.T[None]).astype(np.float32)  # (k, rows', ages)
        transfer += weighted @ along_x.astype(np.float32)
    return transfer


def whiten(
    transfer: NDArray[np.float32], inverse_noise: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Return a template (k, rows', cols'/2+1) divided by the noise."""
    out: NDArray[np.float32] = np.einsum("klij,lij->kij", inverse_noise, transfer)
    return out


def measure(
    transfer: NDArray[np.float32], *, whitened: NDArray[np.float32], padded: tuple[int, int]
) -> Rendered:
    """Return a drawn template with its energy in the noise that `whitened` was divided by."""
    ky, kx = frequencies(padded)
    power = np.einsum("kij,kij->ij", transfer, whitened) * half_weights(padded)
    by_row, by_column = power.sum(axis=1), power.sum(axis=0)
    total = float(by_row.sum())
    cov = np.diag([by_column @ kx.ravel() ** 2, by_row @ ky.ravel() ** 2])
    cov /= max(total, 1e-300)
    return Rendered(
        transfer=transfer,
        energy=total / (padded[0] * padded[1]),
        roughness=float(np.sqrt(np.linalg.det(cov))),
        curvature=cov,
    )
