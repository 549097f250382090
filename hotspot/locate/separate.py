"""Several sources: the strongest is described, taken away, and the rest looked at again.

A spot is described without assuming a board: around its centre, each contrast map gets its own mix
of Gaussians of all widths, or, where the spot lies on a known part, of that part's body blurred by
all widths. What such a symmetric description cannot reach (uneven emissivity, a trace) is counted
as additional noise in proportion to what was taken away, so that leftovers are no second spot.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.locate.field import Field

# Share of a described spot that may be left over where it was: bodies are not round, emissivity
# is not even. Of order 10 % on pictures of real parts (common practice, no source).
LEFTOVER = 0.12
WIDTHS = 9


@dataclass(frozen=True, slots=True, eq=False)
class Description:
    """A described spot.

    Attributes
    ----------
    maps
        (k, rows, cols) float32 its share of the contrast maps.
    """

    maps: NDArray[np.float32]


def describe(
    field: Field,
    *,
    centres: tuple[FloatArray, ...],
    outlines: tuple[FloatArray | None, ...],
    sigma_px: float,
    emissivity: NDArray[np.float32] | None = None,
) -> tuple[Description, ...]:
    """Return the joint least-squares description of the spots at `centres`.

    Parameters
    ----------
    field
        Contrast maps.
    centres
        (2,) each, px.
    outlines
        (4, 2) corners of the part's body under each spot, or None.
    sigma_px
        Blur of the optics.
    emissivity
        (rows, cols) how much of the heat each pixel shows, or None.
    """
    rows, cols = field.shape
    columns: list[NDArray[np.float64]] = []
    counts = []
    for centre, outline in zip(centres, outlines, strict=True):
        shapes = _shapes((rows, cols), centre=centre, sigma_px=sigma_px)
        if outline is not None:
            shapes += _body_shapes((rows, cols), outline_px=outline, sigma_px=sigma_px)
        columns += shapes
        counts.append(len(shapes))
    # One shape a row: sums over pixels then run along memory.
    design = np.stack(columns)
    if emissivity is not None:
        design *= emissivity.reshape(1, -1)
    good = (~field.bad).reshape(1, -1)
    kept = design * good
    gram = kept @ kept.T
    right = kept @ field.maps.reshape(len(field.maps), -1).T
    # A little ridge: Gaussians of neighbouring widths nearly repeat one another.
    gram += 1e-6 * np.trace(gram) / len(gram) * np.eye(len(gram))
    amounts = np.linalg.solve(gram, right)
    out = []
    first = 0
    for count in counts:
        part = slice(first, first + count)
        maps = (amounts[part].T @ design[part]).reshape(-1, rows, cols)
        out.append(Description(maps=maps.astype(np.float32)))
        first += count
    return tuple(out)


def take_away(field: Field, descriptions: tuple[Description, ...]) -> Field:
    """Return the field without described spots, their possible leftovers counted as noise."""
    total = np.sum([d.maps for d in descriptions], axis=0)
    size2 = np.sum([np.sum(d.maps**2, axis=0) for d in descriptions], axis=0)
    extra = np.sqrt(1.0 + LEFTOVER**2 * size2).astype(np.float32)
    return Field(
        maps=((field.maps - total) / extra).astype(np.float32),
        quiet=field.quiet,
        local_sigma=(field.local_sigma * extra).astype(np.float32),
        quiet_sigma=field.quiet_sigma,
        inverse_noise=field.inverse_noise,
        bad=field.bad,
        white_inverse=field.white_inverse,
    )


def _shapes(
    shape: tuple[int, int], *, centre: FloatArray, sigma_px: float
) -> list[NDArray[np.float64]]:
    rows, cols = shape
    x2 = (np.arange(cols) - centre[0]) ** 2
    y2 = (np.arange(rows) - centre[1]) ** 2
    widths = np.geomspace(0.8 * sigma_px, 0.4 * min(shape), WIDTHS)
    # A Gaussian is a product of two: an exponential a line and a column, not one a pixel.
    return [
        np.outer(np.exp(-0.5 * y2 / w**2), np.exp(-0.5 * x2 / w**2)).reshape(-1) for w in widths
    ]


def _body_shapes(
    shape: tuple[int, int], *, outline_px: FloatArray, sigma_px: float
) -> list[NDArray[np.float64]]:
    """Return the body, drawn with sub-pixel edges, blurred by several widths."""
    factor = 8
    small = np.zeros(shape, dtype=np.float64)
    low = np.floor(outline_px.min(axis=0)).astype(int) - 1
    high = np.ceil(outline_px.max(axis=0)).astype(int) + 2
    low = np.clip(low, 0, [shape[1], shape[0]])
    high = np.clip(high, 0, [shape[1], shape[0]])
    width, height = high - low
    if width < 1 or height < 1:
        return []
    fine = np.zeros((height * factor, width * factor), dtype=np.uint8)
    corners = ((outline_px - low + 0.5) * factor - 0.5).round().astype(np.int32)
    cv2.fillConvexPoly(fine, corners, 255)
    small[low[1] : high[1], low[0] : high[0]] = (
        cv2.resize(fine, (int(width), int(height)), interpolation=cv2.INTER_AREA) / 255.0
    )
    if small.sum() < 2:
        return []
    return [
        np.asarray(cv2.GaussianBlur(small, (0, 0), w), dtype=np.float64).reshape(-1)
        for w in (sigma_px, 2 * sigma_px, 4 * sigma_px)
    ]
