"""Matched filtering over the family of spots, and how likely noise alone reaches as high.

The filter is the optimum for known noise (North 1943; Kay, Fundamentals of Statistical Signal
Processing, vol. 2, ch. 4 and 7). The chance that the largest of a whole filtered image exceeds a
level is the expected Euler characteristic of a Gaussian random field (Adler & Taylor, Random Fields
and Geometry; Worsley 1996), summed over the family, which is on the safe side.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.special import ndtr

from hotspot.checks import FloatArray
from hotspot.heat.response import Contrasts
from hotspot.heat.robust import robust_sigma
from hotspot.locate.bank import THREADS, Bank, build_bank, gain_of
from hotspot.locate.field import Field
from hotspot.locate.templates import Rendered, Template


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
    # Summed by hand: numpy's own contraction of a complex with a real array takes three times as
    # long.
    out: NDArray[np.complex64] = field.inverse_noise[:, 0] * raw[0]
    for inverse, seen in zip(field.inverse_noise.swapaxes(0, 1)[1:], raw[1:], strict=True):
        out += inverse * seen
    return out


def dim(
    transforms: NDArray[np.complex64], *, emissivity: NDArray[np.float32] | None, field: Field
) -> NDArray[np.complex64]:
    """Return the transforms of noise-divided maps weighted with what each pixel shows of heat."""
    if emissivity is None:
        return transforms
    rows, cols = field.shape
    images = fft.irfft2(transforms, s=field.padded, axes=(1, 2))
    images[:, :rows, :cols] *= emissivity
    out: NDArray[np.complex64] = fft.rfft2(images, s=field.padded, axes=(1, 2))
    return out


def filter_maps(
    transforms: NDArray[np.complex64],
    *,
    rendered: Rendered,
    field: Field,
    gain: NDArray[np.float32] | None = None,
) -> NDArray[np.float32]:
    """Return the matched-filter SNR map (rows, cols) of one template.

    Parameters
    ----------
    transforms
        From `transform`, or `dim` of it.
    rendered
        The template.
    field
        For the shape.
    gain
        (rows, cols) one over the root of the energy at each place; that of the template when None.
    """
    numerator = rendered.transfer[0] * transforms[0]
    for transfer, seen in zip(rendered.transfer[1:], transforms[1:], strict=True):
        numerator += transfer * seen
    image = fft.irfft2(numerator, s=field.padded, overwrite_x=True)
    rows, cols = field.shape
    out: NDArray[np.float32] = image[:rows, :cols] * (
        np.float32(gain_of(rendered.energy)) if gain is None else gain
    )
    return out


def score(
    field: Field,
    *,
    contrasts: Contrasts,
    age_s: FloatArray,
    templates: tuple[Template, ...],
    sigma_px: float,
    emissivity: NDArray[np.float32] | None = None,
    scale: float | None = None,
    bank: Bank | None = None,
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
    emissivity
        (rows, cols) how much of the heat each pixel shows, or None.
    scale
        Calibration from an earlier call on the same recording; measured when None.
    bank
        `build_bank` of a field with the same noise, if at hand.
    """
    if bank is None:
        bank = build_bank(
            field,
            contrasts=contrasts,
            age_s=age_s,
            templates=templates,
            sigma_px=sigma_px,
            emissivity=emissivity,
        )
    spots = bank.rendered
    if scale is None:
        scale = measure_scale(field, bank=bank, templates=templates)
    plain = transform(field.maps, field=field)
    dimmed = dim(plain, emissivity=emissivity, field=field)
    z = np.empty((len(templates), *field.shape), dtype=np.float32)

    def filter_into(m: int) -> None:
        source = dimmed if templates[m].dimmed else plain
        seen = filter_maps(source, rendered=spots[m], field=field, gain=bank.gains[m])
        np.divide(seen, np.float32(scale), out=z[m])

    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(filter_into, range(len(templates))))
    return Scores(
        z=z,
        templates=templates,
        scale=scale,
        energy=np.array([s.energy for s in spots]) / scale**2,
        roughness=np.array([s.roughness for s in spots]),
        curvature=np.array([s.curvature for s in spots]),
    )


def measure_scale(field: Field, *, bank: Bank, templates: tuple[Template, ...]) -> float:
    """Return by what factor the quiet contrasts show larger scores than theory: 1 or more."""
    groups = _quiet_groups(field, size=len(field.maps))
    # Every fourth template: the family tells much the same.
    tried = [bank.rendered[m] for m in range(0, len(templates), 4) if not templates[m].dimmed]

    def ratios_of(spot: Rendered) -> list[float]:
        return [robust_sigma(filter_maps(g, rendered=spot, field=field)) for g in groups]

    with ThreadPoolExecutor(THREADS) as pool:
        ratios = [r for found in pool.map(ratios_of, tried) for r in found]
    # The quiet maps may show more noise than theory, never less.
    return max(1.0, float(np.median(ratios))) if ratios else 1.0


def _quiet_groups(field: Field, *, size: int) -> list[NDArray[np.complex64]]:
    count = min(3, len(field.quiet) // max(1, size))
    return [transform(field.quiet[i * size : (i + 1) * size], field=field) for i in range(count)]


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
