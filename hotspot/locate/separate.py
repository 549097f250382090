"""Several sources: the strongest is described, taken away, and the rest looked at again.

A spot is described without assuming a board: around its centre, each contrast map gets its own mix
of Gaussians of all widths, or, where the spot lies on a known part, of that part's body blurred by
all widths. What such a symmetric description cannot reach (uneven emissivity, a trace) is counted
as additional noise in proportion to what was taken away, so that leftovers are no second spot.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

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


@dataclass(slots=True, eq=False)
class Describer:
    """Describes spots of one picture.

    Spots are looked for one after the other, and all found so far are described together each time:
    the shapes at a place, and their products with those at other places, are worth keeping.

    Attributes
    ----------
    bad
        (rows, cols) pixels that say nothing.
    sigma_px
        Blur of the optics.
    outline_at
        (4, 2) corners of the part's body under a point, or None.
    emissivity
        (rows, cols) how much of the heat each pixel shows, or None.
    """

    bad: NDArray[np.bool_]
    sigma_px: float
    outline_at: Callable[[FloatArray], FloatArray | None] = lambda xy_px: None
    emissivity: NDArray[np.float32] | None = None
    _shapes: dict[tuple[float, float], FloatArray] = field(default_factory=dict, init=False)
    _products: dict[tuple[tuple[float, float], ...], FloatArray] = field(
        default_factory=dict, init=False
    )

    def describe(self, of: Field, *, centres: tuple[FloatArray, ...]) -> tuple[Description, ...]:
        """Return the joint least-squares description of the spots at `centres` (2,) each, px."""
        rows, cols = self.bad.shape
        keys = [(float(x), float(y)) for x, y in centres]
        shapes = [self._shapes_at(key) for key in keys]
        gram = np.block([[self._product(a, b) for b in keys] for a in keys])
        seen = (of.maps.reshape(len(of.maps), -1) * ~self.bad.reshape(1, -1)).T.astype(np.float64)
        right = np.concatenate([s @ seen for s in shapes])
        # A little ridge: Gaussians of neighbouring widths nearly repeat one another.
        gram = gram + 1e-6 * np.trace(gram) / len(gram) * np.eye(len(gram))
        amounts = np.linalg.solve(gram, right)
        out = []
        first = 0
        for here in shapes:
            maps = amounts[first : first + len(here)].T @ here
            out.append(Description(maps=maps.reshape(-1, rows, cols).astype(np.float32)))
            first += len(here)
        return tuple(out)

    def widths_px(self) -> FloatArray:
        """Return the widths (WIDTHS,) of the Gaussians, which come first among the shapes."""
        return _widths_px(self.bad.shape, sigma_px=self.sigma_px)

    def shapes_at(self, xy_px: FloatArray) -> FloatArray:
        """Return the shapes (n, pixels) in which a spot at (2,) `xy_px` is described."""
        return self._shapes_at((float(xy_px[0]), float(xy_px[1])))

    def _shapes_at(self, key: tuple[float, float]) -> FloatArray:
        """Shapes (n, pixels) of a spot, one a row: sums over pixels then run along memory."""
        known = self._shapes.get(key)
        if known is None:
            centre = np.array(key)
            shapes = _shapes(self.bad.shape, centre=centre, sigma_px=self.sigma_px)
            outline = self.outline_at(centre)
            if outline is not None:
                shapes += _body_shapes(self.bad.shape, outline_px=outline, sigma_px=self.sigma_px)
            known = np.stack(shapes)
            if self.emissivity is not None:
                known *= self.emissivity.reshape(1, -1)
            self._shapes[key] = known
        return known

    def _product(self, a: tuple[float, float], b: tuple[float, float]) -> FloatArray:
        """Inner products over good pixels of the shapes at two places."""
        if (b, a) in self._products:
            return self._products[b, a].T
        if (a, b) not in self._products:
            good = ~self.bad.reshape(1, -1)
            self._products[a, b] = (self._shapes_at(a) * good) @ self._shapes_at(b).T
        return self._products[a, b]


def take_away(field: Field, descriptions: tuple[Description, ...]) -> Field:
    """Return the field without described spots, their possible leftovers counted as noise."""
    total = np.sum([d.maps for d in descriptions], axis=0)
    # Of what was taken away in all: the wide parts of two neighbours may cancel far away.
    size2 = np.sum(total**2, axis=0)
    extra = np.sqrt(1.0 + LEFTOVER**2 * size2).astype(np.float32)
    return replace(
        field,
        maps=((field.maps - total) / extra).astype(np.float32),
        local_sigma=(field.local_sigma * extra).astype(np.float32),
    )


def _widths_px(shape: tuple[int, int], *, sigma_px: float) -> FloatArray:
    return np.geomspace(0.8 * sigma_px, 0.4 * min(shape), WIDTHS)


def _shapes(
    shape: tuple[int, int], *, centre: FloatArray, sigma_px: float
) -> list[NDArray[np.float64]]:
    rows, cols = shape
    x2 = (np.arange(cols) - centre[0]) ** 2
    y2 = (np.arange(rows) - centre[1]) ** 2
    widths = _widths_px(shape, sigma_px=sigma_px)
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
