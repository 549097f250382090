"""Matched filtering over the family of spots, and how likely noise alone reaches as high.

The filter is the optimum for known noise (North 1943; Kay, Fundamentals of Statistical Signal
Processing, vol. 2, ch. 4 and 7). The chance that the largest of a whole filtered image exceeds a
level is the expected Euler characteristic of a Gaussian random field (Adler & Taylor, Random Fields
and Geometry; Worsley 1996), summed over the family, which is on the safe side.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
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

# Transforms and sums run outside the interpreter's lock; a bench laptop has two cores.
THREADS = 2
# A place under bare metal shows at least this share of a template's energy: the second-order sum
# must not run to zero or below.
LEAST_ENERGY = 0.03


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
    energy: NDArray[np.float32] | None = None,
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
    energy
        (rows, cols) energy at each place, from `local_energy`; that of the template when None.
    """
    numerator = rendered.transfer[0] * transforms[0]
    for transfer, seen in zip(rendered.transfer[1:], transforms[1:], strict=True):
        numerator += transfer * seen
    image = fft.irfft2(numerator, s=field.padded)
    rows, cols = field.shape
    scale = np.sqrt(rendered.energy if energy is None else energy)
    out: NDArray[np.float32] = (image[:rows, :cols] / scale).astype(np.float32)
    return out


def local_energy(
    rendered: Rendered, *, emissivity_dip: tuple[NDArray[Any], NDArray[Any]], field: Field
) -> NDArray[np.float32]:
    """Return the energy of a template at each place, dimmed by the emissivity there.

    With e = 1 + d the energy is a quadratic form in d; the linear term is exact, the quadratic one
    takes the noise as independent between pixels, which it nearly is at the scale of pads.

    Parameters
    ----------
    rendered
        The template.
    emissivity_dip
        Transforms of d and d^2 on the padded grid.
    field
        For the noise and the shape.
    """
    rows, cols = field.shape
    spot = fft.irfft2(rendered.transfer, s=field.padded, axes=(1, 2))
    sharp = np.einsum("klij,lij->kij", field.inverse_noise, rendered.transfer)
    divided = fft.irfft2(sharp, s=field.padded, axes=(1, 2))
    first = fft.rfft2(np.sum(spot * divided, axis=0))
    second = fft.rfft2(np.sum(spot * spot, axis=0)) * field.white_inverse
    change = fft.irfft2(
        2 * emissivity_dip[0] * np.conj(first) + emissivity_dip[1] * np.conj(second),
        s=field.padded,
    )[:rows, :cols]
    energy = np.maximum(rendered.energy + change, LEAST_ENERGY * rendered.energy)
    return np.asarray(energy, dtype=np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Bank:
    """Templates made ready for one noise: worth keeping while the maps change and it does not.

    Attributes
    ----------
    rendered
        Each template in the frequency domain.
    energy_maps
        (rows, cols) energy at each place for the dimmed templates, None for the others.
    """

    rendered: tuple[Rendered, ...]
    energy_maps: tuple[NDArray[np.float32] | None, ...]


def build_bank(
    field: Field,
    *,
    contrasts: Contrasts,
    age_s: FloatArray,
    templates: tuple[Template, ...],
    sigma_px: float,
    emissivity: NDArray[np.float32] | None = None,
) -> Bank:
    """Return the templates made ready for the noise of a field; parameters as for `score`."""
    dips = _dips(emissivity, field)

    def ready(template: Template) -> tuple[Rendered, NDArray[np.float32] | None]:
        spot = render(
            template,
            contrasts=contrasts,
            age_s=age_s,
            padded=field.padded,
            inverse_noise=field.inverse_noise,
            sigma_px=sigma_px,
        )
        if dips is None or not template.dimmed:
            return spot, None
        return spot, local_energy(spot, emissivity_dip=dips, field=field)

    with ThreadPoolExecutor(THREADS) as pool:
        made = list(pool.map(ready, templates))
    return Bank(rendered=tuple(r for r, _ in made), energy_maps=tuple(e for _, e in made))


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
    plain = transform(field.maps, field=field)
    dimmed = dim(plain, emissivity=emissivity, field=field)
    groups = _quiet_groups(field, size=len(field.maps)) if scale is None else []

    def filtered(m: int) -> tuple[NDArray[np.float32], list[float]]:
        template, spot = templates[m], spots[m]
        source = dimmed if template.dimmed else plain
        z = filter_maps(source, rendered=spot, field=field, energy=bank.energy_maps[m])
        calm = groups if m % 4 == 0 and not template.dimmed else []
        return z, [_robust_sigma(filter_maps(g, rendered=spot, field=field)) for g in calm]

    with ThreadPoolExecutor(THREADS) as pool:
        results = list(pool.map(filtered, range(len(templates))))
    if scale is None:
        ratios = [r for _, calm in results for r in calm]
        # The quiet maps may show more noise than theory, never less.
        scale = max(1.0, float(np.median(ratios))) if ratios else 1.0
    return Scores(
        z=np.stack([z for z, _ in results]) / np.float32(scale),
        templates=templates,
        scale=scale,
        energy=np.array([s.energy for s in spots]) / scale**2,
        roughness=np.array([s.roughness for s in spots]),
        curvature=np.array([s.curvature for s in spots]),
    )


def _dips(
    emissivity: NDArray[np.float32] | None, field: Field
) -> tuple[NDArray[Any], NDArray[Any]] | None:
    if emissivity is None:
        return None
    dip = emissivity - np.float32(1)
    return fft.rfft2(dip, s=field.padded), fft.rfft2(dip * dip, s=field.padded)


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
