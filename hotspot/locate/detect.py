"""Matched filtering over the family of spots, and how likely noise alone reaches as high.

The filter is the optimum for known noise (North 1943; Kay, Fundamentals of Statistical Signal
Processing, vol. 2, ch. 4 and 7). The chance that the largest of a whole filtered image exceeds a
level is the expected Euler characteristic of a Gaussian random field (Adler & Taylor, Random Fields
and Geometry; Worsley 1996), summed over the family, which is on the safe side.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.special import ndtr

from hotspot.checks import FloatArray
from hotspot.heat.response import Contrasts
from hotspot.locate.field import Field
from hotspot.locate.templates import Rendered, Template, render


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """Signal-to-noise maps, one for each template.

    Attributes
    ----------
    z
        (m, rows, cols) float32: matched-filter SNR, negative where the picture cools.
    rendered
        The templates in the frequency domain; transfers dropped to save memory.
    templates
        The family.
    scale
        Factor by which the quiet contrasts showed larger scores than theory; already divided out.
    energy, roughness
        (m,) of each template.
    curvature
        (m, 2, 2).
    """

    z: NDArray[np.float32]
    templates: tuple[Template, ...]
    scale: float
    energy: FloatArray
    roughness: FloatArray
    curvature: FloatArray


def transform(maps: NDArray[np.float32], *, field: Field) -> NDArray[np.complex64]:
    """Return the transforms (k, rows', cols'/2+1) of maps, divided by the noise."""
    raw = fft.rfft2(maps, s=field.padded, axes=(1, 2))
    out: NDArray[np.complex64] = np.einsum("klij,lij->kij", field.inverse_noise, raw).astype(
        np.complex64
    )
    return out


def filter_maps(
    transforms: NDArray[np.complex64], *, rendered: Rendered, field: Field
) -> NDArray[np.float32]:
    """Return the matched-filter SNR map (rows, cols) of one template."""
    numerator = np.einsum("kij,kij->ij", rendered.transfer, transforms)
    image = fft.irfft2(numerator, s=field.padded)
    rows, cols = field.shape
    out: NDArray[np.float32] = (image[:rows, :cols] / np.sqrt(rendered.energy)).astype(np.float32)
    return out


def score(
    field: Field,
    *,
    contrasts: Contrasts,
    age_s: FloatArray,
    templates: tuple[Template, ...],
    sigma_px: float,
    scale: float | None = None,
) -> Scores:
    """Return the SNR maps of every template.

    Parameters
    ----------
    field
        Contrast maps with their noise.
    contrasts
        The temporal weights behind the maps.
    age_s
        Ages of the spreading classes.
    templates
        The family of spots.
    sigma_px
        Blur of optics and body.
    scale
        Calibration from an earlier call on the same recording; measured when None.
    """
    transforms = transform(field.maps, field=field)
    groups = _quiet_groups(field, size=len(field.maps)) if scale is None else []
    rows, cols = field.shape
    z = np.zeros((len(templates), rows, cols), dtype=np.float32)
    energy = np.zeros(len(templates))
    roughness = np.zeros(len(templates))
    curvature = np.zeros((len(templates), 2, 2))
    ratios: list[float] = []
    for m, template in enumerate(templates):
        spot = render(
            template,
            contrasts=contrasts,
            age_s=age_s,
            padded=field.padded,
            inverse_noise=field.inverse_noise,
            sigma_px=sigma_px,
        )
        z[m] = filter_maps(transforms, rendered=spot, field=field)
        energy[m], roughness[m], curvature[m] = spot.energy, spot.roughness, spot.curvature
        if m % 4 == 0:
            for group in groups:
                quiet_z = filter_maps(group, rendered=spot, field=field)
                ratios.append(_robust_sigma(quiet_z))
    if scale is None:
        # The quiet maps may show more noise than theory, never less.
        scale = max(1.0, float(np.median(ratios))) if ratios else 1.0
    return Scores(
        z=z / np.float32(scale),
        templates=templates,
        scale=scale,
        energy=energy / scale**2,
        roughness=roughness,
        curvature=curvature,
    )


def _quiet_groups(field: Field, *, size: int) -> list[NDArray[np.complex64]]:
    count = min(3, len(field.quiet) // max(1, size))
    return [transform(field.quiet[i * size : (i + 1) * size], field=field) for i in range(count)]


def _robust_sigma(image: NDArray[Any]) -> float:
    return float(1.482602218505602 * np.median(np.abs(image - np.median(image))))


def false_alarm_probability(snr: float, *, area_px: float, roughness: FloatArray) -> float:
    """Return the chance that noise reaches `snr` anywhere in the image in any template.

    Expected Euler characteristic of a stationary Gaussian field: area term
    ``area * roughness * (2 pi)^-3/2 * u * exp(-u^2/2)`` plus edge and point terms.

    Parameters
    ----------
    snr
        Level u.
    area_px
        Area looked at, px^2.
    roughness
        (m,) sqrt(det) of the gradient covariance of each template's filtered noise, 1/px^2.
    """
    u = max(snr, 1.0)
    tail = np.exp(-0.5 * u * u)
    area = area_px * roughness * (2 * np.pi) ** -1.5 * u * tail
    edge = 2 * np.sqrt(area_px * roughness) / (2 * np.pi) * tail
    expected = float(np.sum(area + edge)) + float(ndtr(-u))
    return float(-np.expm1(-expected))
