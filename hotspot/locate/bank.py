"""Templates made ready for the noise of a field, dimmed where the board is."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from hotspot.checks import FloatArray
from hotspot.heat.response import Contrasts
from hotspot.locate.field import Field
from hotspot.locate.templates import Rendered, Template, draw, measure, whiten

# Transforms and sums run outside the interpreter's lock; a bench laptop has two cores.
THREADS = 2
# A place under bare metal shows at least this share of a template's energy: the second-order sum
# must not run to zero or below.
LEAST_ENERGY = 0.03


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A template, whatever the noise.

    Attributes
    ----------
    transfer
        (k, rows', cols'/2+1) float32: as in `Rendered`.
    spot
        (k, rows', cols') float32: the spot itself, at the origin; None for templates that are
        never dimmed.
    square
        (rows', cols'/2+1) complex64: transform of the sum of its squares, or None.
    """

    transfer: NDArray[np.float32]
    spot: NDArray[np.float32] | None = None
    square: NDArray[np.complex64] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Bank:
    """Templates made ready for one noise: worth keeping while the maps change and it does not.

    Attributes
    ----------
    rendered
        Each template in the frequency domain.
    gains
        (rows, cols) float32, one over the root of the energy at each place, for the dimmed
        templates; None for the others.
    drawn
        The spots, dimmed or not: they hold for every noise.
    """

    rendered: tuple[Rendered, ...]
    gains: tuple[NDArray[np.float32] | None, ...]
    drawn: dict[Template, Drawn]


def build_bank(
    field: Field,
    *,
    contrasts: Contrasts,
    age_s: FloatArray,
    templates: tuple[Template, ...],
    sigma_px: float,
    emissivity: NDArray[np.float32] | None = None,
    before: Bank | None = None,
) -> Bank:
    """Return the templates made ready for the noise of a field.

    Parameters
    ----------
    field, contrasts, age_s, templates, sigma_px, emissivity
        As for `hotspot.locate.detect.score`.
    before
        A bank of the same templates for another noise, if at hand.
    """
    dips = _dips(emissivity, field)
    spots = [replace(t, dimmed=False) for t in templates]
    dimmed = {s for s, t in zip(spots, templates, strict=True) if t.dimmed and dips is not None}

    def ready(spot: Template) -> tuple[Drawn, Rendered, NDArray[np.float32] | None]:
        drawn = None if before is None else before.drawn.get(spot)
        if drawn is None:
            transfer = draw(
                spot,
                contrasts=contrasts,
                age_s=age_s,
                padded=field.padded,
                sigma_px=sigma_px,
            )
            drawn = Drawn(transfer)
            if spot in dimmed:
                shown = fft.irfft2(transfer, s=field.padded, axes=(1, 2))
                drawn = Drawn(transfer, shown, fft.rfft2(np.sum(shown * shown, axis=0)))
        whitened = whiten(drawn.transfer, field.inverse_noise)
        rendered = measure(drawn.transfer, whitened=whitened, padded=field.padded)
        if dips is None or spot not in dimmed:
            return drawn, rendered, None
        energy = local_energy(drawn, rendered, whitened=whitened, emissivity_dip=dips, field=field)
        return drawn, rendered, gain_of(energy).astype(np.float32)

    unique = tuple(dict.fromkeys(spots))
    with ThreadPoolExecutor(THREADS) as pool:
        made = dict(zip(unique, pool.map(ready, unique), strict=True))
    of_each = list(zip(templates, (made[s] for s in spots), strict=True))
    return Bank(
        rendered=tuple(rendered for _, (_, rendered, _) in of_each),
        gains=tuple(gain if t.dimmed else None for t, (_, _, gain) in of_each),
        drawn={s: drawn for s, (drawn, _, _) in made.items()},
    )


def gain_of(energy: NDArray[Any] | float) -> NDArray[np.float64]:
    """Return one over the root of each energy; 0 for a template of which nothing is seen.

    Switched on at the very end, the slowest kinds of heat do not reach any frame.
    """
    seen = np.asarray(energy) > 0
    return np.where(seen, 1.0 / np.sqrt(np.where(seen, energy, 1.0)), 0.0)


def local_energy(
    drawn: Drawn,
    rendered: Rendered,
    *,
    whitened: NDArray[np.float32],
    emissivity_dip: tuple[NDArray[Any], NDArray[Any]],
    field: Field,
) -> NDArray[np.float32]:
    """Return the energy of a template at each place, dimmed by the emissivity there.

    With e = 1 + d the energy is a quadratic form in d; the linear term is exact, the quadratic one
    takes the noise as independent between pixels, which it nearly is at the scale of pads.

    Parameters
    ----------
    drawn
        The template's spot, its square known.
    rendered, whitened
        The template in the noise, and divided by it.
    emissivity_dip
        Transforms of d and d^2 on the padded grid.
    field
        For the noise and the shape.
    """
    if drawn.spot is None or drawn.square is None:
        raise ValueError("drawn must hold the spot and its square")
    rows, cols = field.shape
    divided = fft.irfft2(whitened, s=field.padded, axes=(1, 2))
    first = fft.rfft2(np.sum(drawn.spot * divided, axis=0))
    change = fft.irfft2(
        2 * emissivity_dip[0] * np.conj(first)
        + emissivity_dip[1] * np.conj(drawn.square) * np.float32(field.white_inverse),
        s=field.padded,
    )[:rows, :cols]
    energy = np.maximum(rendered.energy + change, LEAST_ENERGY * rendered.energy)
    return np.asarray(energy, dtype=np.float32)


def _dips(
    emissivity: NDArray[np.float32] | None, field: Field
) -> tuple[NDArray[Any], NDArray[Any]] | None:
    if emissivity is None:
        return None
    dip = emissivity - np.float32(1)
    return fft.rfft2(dip, s=field.padded), fft.rfft2(dip * dip, s=field.padded)
