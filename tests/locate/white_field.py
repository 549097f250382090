"""A field of white noise of unit variance with one contrast: where closed forms hold."""

from __future__ import annotations

import numpy as np

from hotspot.heat.response import AGE_EDGES_S, BODY_TAUS_S, Contrasts
from hotspot.heat.waves import padded_shape
from hotspot.locate.detect import Scores, score
from hotspot.locate.field import Field
from hotspot.locate.templates import Rendered, Template, render

AGES_S = 0.5 * (np.array(AGE_EDGES_S[1:]) + np.array(AGE_EDGES_S[:-1]))
BODY = Template(tau_index=0, diffusivity_px2_s=0.0, body_share=1.0)


def one_contrast() -> Contrasts:
    """A contrast that reads 1 from every body, and heat of each age by how long it lasts."""
    taus = len(BODY_TAUS_S)
    spread = np.tile(np.diff(AGE_EDGES_S), (1, taus, 1))
    return Contrasts(
        weights=np.ones((1, 1)),
        body=np.ones((1, taus)),
        spread=spread,
        quiet=np.zeros((0, 1)),
        courses=np.ones((1, 1)),
    )


def white_field(maps: np.ndarray, *, quiet: np.ndarray | None = None) -> Field:
    """Return the field of maps (1, rows, cols) whose noise is white and of unit variance."""
    shape = maps.shape[1:]
    padded = padded_shape(shape)
    return Field(
        maps=maps.astype(np.float32),
        quiet=(np.zeros((0, *shape)) if quiet is None else quiet).astype(np.float32),
        local_sigma=np.ones(shape, np.float32),
        quiet_sigma=np.ones(shape, np.float32),
        inverse_noise=np.ones((1, 1, padded[0], padded[1] // 2 + 1), np.float32),
        bad=np.zeros(shape, bool),
    )


def rendered(field: Field, template: Template = BODY, *, sigma_px: float) -> Rendered:
    return render(
        template,
        contrasts=one_contrast(),
        age_s=AGES_S,
        padded=field.padded,
        inverse_noise=field.inverse_noise,
        sigma_px=sigma_px,
    )


def scored(
    field: Field, *, sigma_px: float, templates: tuple[Template, ...] = (BODY,), scale: float = 1.0
) -> Scores:
    return score(
        field,
        contrasts=one_contrast(),
        age_s=AGES_S,
        templates=templates,
        sigma_px=sigma_px,
        scale=scale,
    )


def gaussian(shape: tuple[int, int], xy: tuple[float, float], sigma: float) -> np.ndarray:
    y, x = np.mgrid[: shape[0], : shape[1]]
    return np.exp(-0.5 * ((x - xy[0]) ** 2 + (y - xy[1]) ** 2) / sigma**2)
